//! Graded exercises with known truth: built from an author's wishes, examined by the library itself, graded by a
//! published rubric.
//!
//! - [`Author`]: what a trainer wishes: goals, patterns, distractors, difficulty, number, seed.
//! - [`build()`] draws captures, composes questions and answers from their truth, and keeps only items whose truth
//!   [`sixpulse::examine()`] recovers within the tolerance that the learner is given, or that are marked as not
//!   determinable and really are not. What was rejected is recorded with its reason; the next member of the item's
//!   family is drawn, up to the author's limit.
//! - [`QuestionSet`] is for the learner and holds no truth; [`Key`] is for the trainer.
//! - [`grade()`] gives partial credit by [`rubric()`] and a reason for every point lost.
//!
//! # Nothing gives the answer away
//!
//! Which questions an item asks, their options and the steps to be ordered follow from the goals and the seed alone,
//! never from what is true of the capture. All captures of a set have the same channels, sample rate, sample count and
//! converter. What a technician knows (probe point, coupling, engine speed, whether the wheel turns) is stated.
//!
//! The same author's file gives the same set: every choice comes from [`crate::rng`], and figures that pass through
//! the analysis (whose last bits depend on the processor) are rounded before they are kept. What is left is a figure
//! that lies within those last bits of a limit or of a turn of its last digit: `docs/exercises.md` says how rare that is.

mod author;
mod compose;
mod difficulty;
mod grade;
mod item;
mod key;
mod plan;
mod question;
mod response;
mod rubric;
mod safety;
mod texts;

mod build;

pub use author::{Author, Confidence, DifficultyRange, Distractor, Goal, MachineData, Order};
pub use build::{Exercise, build, build_on};
pub use difficulty::{Difficulty, contrast, difficulty, entropy, ripple_to_noise};
pub use grade::{GradedRow, Grading, LearnerResult, Loss, Outcome, Part, Refusal, brier_points, grade, log_score};
pub use key::{Alias, Answer, Key, KeyItem, KeyQuestion, Rejection, StepRank};
pub use question::{AnswerForm, Choice, ItemSheet, Question, QuestionKind, QuestionSet};
pub use response::{Response, parse_confidence, parse_quantity};
pub use rubric::{RUBRIC_VERSION, Rubric, RubricRule, rubric};

/// Version of the layout of author's file, question set, key and grading.
pub const EXERCISE_VERSION: u32 = 1;

/// A number rounded to `digits` significant digits, the same on every platform.
pub(crate) fn rounded(value: f64, digits: usize) -> f64 {
    format!("{value:.*e}", digits.saturating_sub(1)).parse().unwrap_or(value)
}
