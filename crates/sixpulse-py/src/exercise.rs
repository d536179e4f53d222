//! Exercises for Python. Author's files, question sets, keys and gradings cross the border as JSON text, as scenarios do.

use std::num::NonZeroUsize;

use pyo3::prelude::*;
use serde::Serialize;
use serde::de::DeserializeOwned;
use sixpulse_sim::Error;
use sixpulse_sim::exercise::{Author, Exercise, Key, QuestionKind, Response};
use sixpulse_sim::exercise::{brier_points, build_on, difficulty, grade, log_score, parse_quantity, rubric};

use crate::simulate::sim_to_py;
use crate::trace::PyCapture;

fn parsed<T: DeserializeOwned>(parameter: &str, text: &str) -> PyResult<T> {
    serde_json::from_str(text).map_err(|e| document(parameter, &e.to_string()))
}

fn text<T: Serialize>(parameter: &str, value: &T) -> PyResult<String> {
    serde_json::to_string(value).map_err(|e| document(parameter, &e.to_string()))
}

fn document(parameter: &str, reason: &str) -> PyErr {
    sim_to_py(Error::InvalidDocument { parameter: parameter.into(), reason: reason.into() })
}

/// The author's file with every default written out, once checked.
#[pyfunction]
pub fn checked_author(author: &str) -> PyResult<String> {
    text("author", &Author::from_json(author).map_err(sim_to_py)?)
}

/// Question set (JSON), key (JSON) and captures.
#[pyfunction]
pub fn build_exercise(
    py: Python<'_>,
    author: &str,
    threads: NonZeroUsize,
) -> PyResult<(String, String, Vec<PyCapture>)> {
    let author = Author::from_json(author).map_err(sim_to_py)?;
    let Exercise { questions, captures, key } = py.detach(|| build_on(&author, threads)).map_err(sim_to_py)?;
    Ok((text("questions", &questions)?, text("key", &key)?, captures.into_iter().map(PyCapture).collect()))
}

/// The grading (JSON) of responses (JSON list) by a key (JSON).
#[pyfunction]
pub fn grade_responses(py: Python<'_>, key: &str, responses: &str, roster: Vec<String>) -> PyResult<String> {
    let key: Key = parsed("key", key)?;
    let responses: Vec<Response> = parsed("responses", responses)?;
    text("grading", &py.detach(|| grade(&key, &responses, &roster)))
}

/// The rubric (JSON).
#[pyfunction]
pub fn exercise_rubric() -> PyResult<String> {
    text("rubric", &rubric())
}

/// A number as a person writes it, in the unit of a question's kind; `None` for "cannot be determined".
#[pyfunction]
pub fn quantity_of(answer: &str, unit: &str, kind: &str) -> PyResult<Option<f64>> {
    let kind: QuestionKind = parsed("kind", &format!("{kind:?}"))?;
    parse_quantity(answer, unit, kind).map_err(|refusal| document("answer", &refusal.to_string()))
}

/// Share of the confidence's points that is kept.
#[pyfunction]
pub fn brier_share(confidence: f64, right: bool) -> f64 {
    brier_points(confidence, right)
}

/// Logarithmic score; `None` for minus infinity.
#[pyfunction]
pub fn logarithmic_score(confidence: f64, right: bool) -> Option<f64> {
    log_score(confidence, right)
}

/// Difficulty made of its measures.
#[pyfunction]
#[pyo3(signature = (ripple_to_noise, contrast, ambiguity, distractors))]
pub fn difficulty_value(ripple_to_noise: f64, contrast: Option<f64>, ambiguity: f64, distractors: u32) -> f64 {
    difficulty(ripple_to_noise, contrast, ambiguity, distractors).value
}

/// Functions behind `sixpulse.exercises`.
#[pymodule(gil_used = false)]
pub mod _exercise {
    /// Version of the layout of the documents.
    #[pymodule_export]
    const EXERCISE_VERSION: u32 = sixpulse_sim::exercise::EXERCISE_VERSION;
    #[pymodule_export]
    use super::{
        brier_share, build_exercise, checked_author, difficulty_value, exercise_rubric, grade_responses,
        logarithmic_score, quantity_of,
    };
}
