//! The trainer's key: truth, answers, tolerances, what the library itself made of each item, and what was rejected.

use serde::{Deserialize, Serialize};
use sixpulse::rectifier::Pattern;

use super::author::{Author, Distractor};
use super::difficulty::Difficulty;
use super::question::Question;
use crate::scenario::Scenario;
use crate::truth::Truth;

/// A wrong number that a known slip gives.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Alias {
    /// The slip's code, as in the rubric.
    pub code: String,
    /// The number it gives, in the question's unit.
    pub value: f64,
}

/// Place of a step in the order of tests; steps of equal rank may stand in any order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct StepRank {
    /// Code of the step.
    pub code: String,
    /// 1 comes first.
    pub rank: u32,
}

/// The right answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "form", rename_all = "snake_case")]
pub enum Answer {
    /// A number in the question's unit.
    Number {
        /// The true value.
        value: f64,
        /// Largest deviation that counts as right.
        tolerance: f64,
        /// What known slips would give.
        aliases: Vec<Alias>,
    },
    /// The capture does not tell.
    CannotBeDetermined,
    /// One option, with the evidence for it where that is asked.
    Choice {
        /// Code of the right option.
        code: String,
        /// Codes of the right evidence; empty where none is asked.
        evidence: Vec<String>,
        /// Codes of options that could hurt someone.
        dangerous: Vec<String>,
    },
    /// An order of steps.
    Order {
        /// Every step with its rank.
        steps: Vec<StepRank>,
    },
    /// A set of options.
    Set {
        /// Codes of the right options.
        codes: Vec<String>,
    },
}

/// One question with its answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KeyQuestion {
    /// As the learner sees it.
    pub question: Question,
    /// The right answer.
    pub answer: Answer,
    /// Why it is right, in words that teach.
    pub explanation: String,
    /// What `examine` made of it; `None` where nothing is examined.
    pub examined: Option<String>,
}

/// One item with its truth.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KeyItem {
    /// Such as `item-03`.
    pub id: String,
    /// The pattern, as an analysis of a fit capture should report it.
    pub pattern: Pattern,
    /// The distractor, where there is one.
    pub distractor: Option<Distractor>,
    /// Whether the pattern can be told from the capture.
    pub pattern_determinable: bool,
    /// Measured difficulty.
    pub difficulty: Difficulty,
    /// Difficulty wished for.
    pub target: f64,
    /// Draws that it took.
    pub draws: usize,
    /// The scenario, from which the capture follows count for count.
    pub scenario: Scenario,
    /// Its truth.
    pub truth: Truth,
}

/// A draw that did not become an item.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Rejection {
    /// The item it was drawn for.
    pub item: String,
    /// Number of the draw, from 0.
    pub draw: usize,
    /// Stable code: `unsuited`, `simulation`, `difficulty`, `pattern_not_recovered`, `pattern_recovered`,
    /// `value_not_recovered`, `value_recovered`, `verdict_not_recovered`, `setting_not_recovered`.
    pub code: String,
    /// What was wrong with it.
    pub reason: String,
}

/// Everything that grading needs and the learner must not see.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Key {
    /// Layout version.
    pub schema_version: u32,
    /// Version of the library.
    pub library_version: String,
    /// What the author wished.
    pub author: Author,
    /// Items in the learner's order.
    pub items: Vec<KeyItem>,
    /// Questions in the learner's order.
    pub questions: Vec<KeyQuestion>,
    /// Draws that did not become items.
    pub rejections: Vec<Rejection>,
}
