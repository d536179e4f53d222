//! The author's file: what a trainer wishes, checked at the door.

use serde::{Deserialize, Serialize};

use super::EXERCISE_VERSION;
use crate::domain;
use crate::error::{Error, Result};
use crate::kind::{Fault, Wanted};

/// What the learner is to practise; decides which questions are asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Goal {
    /// Read the charging level.
    ReadLevel,
    /// Measure ripple, r.m.s. and peak to peak.
    MeasureRipple,
    /// Find the electrical frequency.
    ElectricalCycle,
    /// Tell the rectifier patterns apart.
    TellPatterns,
    /// Choose coupling, range and measuring point.
    SettingsAndPoints,
    /// See whether a sensor carries the ripple, and how much of it.
    Contamination,
    /// Predict what a speed display shows.
    IndicatedSpeed,
    /// Order the next tests.
    NextTests,
    /// Say what must not be replaced yet.
    KeepParts,
    /// Know what a capture cannot tell.
    LimitsOfTheCapture,
    /// Work safely.
    Safety,
}

/// What makes a capture harder to read without being a fault of the alternator.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Distractor {
    /// Battery impedance of an aged battery.
    PoorBattery,
    /// The supply channel is AC-coupled.
    WrongCoupling,
    /// The supply channel is on the battery instead of the charging post.
    AtTheBattery,
    /// A load switched with hard edges.
    SwitchedLoad,
    /// A turning wheel whose tooth frequency lies within 1 % of an order of the ripple.
    CoincidentWheelSpeed,
    /// The range is too small: the supply trace is clipped.
    ClippedRange,
    /// Uneven firing of the engine.
    UnevenEngine,
    /// Engine speed changing over the record.
    Ramp,
}

/// Whether engine speed, belt ratio and pole pairs stand on the worksheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum MachineData {
    /// On every item.
    #[default]
    Given,
    /// On none.
    Withheld,
    /// Drawn for each item, without regard to its truth.
    Mixed,
}

/// Whether learners state how sure they are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Confidence {
    /// They do; a fifth of the points goes by the Brier score.
    #[default]
    Asked,
    /// They do not.
    NotAsked,
}

/// Order of the items.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Order {
    /// From easy to hard.
    Rising,
    /// At random.
    #[default]
    Shuffled,
}

/// The difficulty wished for, on the scale of [`super::Difficulty::value`].
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DifficultyRange {
    /// Difficulty of the easiest item, 0 to 1.
    pub from: f64,
    /// Difficulty of the hardest item, `from` to 1.
    pub to: f64,
    /// How far an item may lie from its own target, above 0 to 1.
    #[serde(default = "default_within")]
    pub within: f64,
}

fn default_within() -> f64 {
    0.1
}

/// What a trainer wishes for. Items' targets of difficulty are spread evenly from `difficulty.from` to `difficulty.to`.
///
/// ```
/// use sixpulse_sim::exercise::{Author, Goal};
/// let author = Author::from_json(r#"{
///     "title": "First patterns", "seed": 12345, "count": 4, "goals": ["tell_patterns", "measure_ripple"],
///     "patterns": ["healthy", "open_diode"], "difficulty": {"from": 0.1, "to": 0.4}
/// }"#)?;
/// assert_eq!((author.goals[0], author.attempts), (Goal::TellPatterns, 300));
/// # Ok::<(), sixpulse_sim::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Author {
    /// Layout version, [`EXERCISE_VERSION`].
    #[serde(default = "default_version")]
    pub schema_version: u32,
    /// Title on the worksheet; the learner reads it, so it must not tell the answers.
    pub title: String,
    /// Names the set. Who knows the author's file and the seed can rebuild the set with its key.
    pub seed: u64,
    /// Number of items (captures), 1 to 60.
    pub count: usize,
    /// Learning goals, at least one, each once.
    pub goals: Vec<Goal>,
    /// Patterns and faults to draw from, as [`Wanted`] reads them; shared out evenly.
    pub patterns: Vec<String>,
    /// Distractors to draw from, shared out evenly over `distractor_share` of the items.
    #[serde(default)]
    pub distractors: Vec<Distractor>,
    /// Share of the items that get a distractor, 0 to 1.
    #[serde(default = "default_share")]
    pub distractor_share: f64,
    /// Difficulty wished for.
    pub difficulty: DifficultyRange,
    /// Order of the items.
    #[serde(default)]
    pub order: Order,
    /// Questions on each item, 1 to 12; never more than the goals give.
    #[serde(default = "default_questions")]
    pub questions_per_item: usize,
    /// Safety questions of the set, 0 to 10; asked when the goals hold `safety`.
    #[serde(default = "default_safety")]
    pub safety_questions: usize,
    /// Whether the machine's data are given.
    #[serde(default)]
    pub machine_data: MachineData,
    /// Whether confidence is asked for.
    #[serde(default)]
    pub confidence: Confidence,
    /// Most draws for one item, 1 to 1000.
    #[serde(default = "default_attempts")]
    pub attempts: usize,
    /// Samples of every channel, 4000 to 200 000.
    #[serde(default = "default_samples")]
    pub samples: usize,
    /// Samples per second, 40 000 to 1 000 000.
    #[serde(default = "default_rate")]
    pub sample_rate_hz: f64,
}

fn default_version() -> u32 {
    EXERCISE_VERSION
}
fn default_share() -> f64 {
    0.5
}
fn default_questions() -> usize {
    4
}
fn default_safety() -> usize {
    2
}
fn default_attempts() -> usize {
    300
}
fn default_samples() -> usize {
    8000
}
fn default_rate() -> f64 {
    50_000.0
}

/// Shortest record, seconds: 12 cycles of the slowest machine that is drawn.
const LEAST_RECORD_S: f64 = 0.1;

impl Author {
    /// Reads and checks an author's file given as JSON.
    ///
    /// # Errors
    /// [`Error::InvalidDocument`] for text that is no author's file; as [`Author::check`].
    pub fn from_json(text: &str) -> Result<Self> {
        let author: Self = serde_json::from_str(text)
            .map_err(|e| Error::InvalidDocument { parameter: "author".into(), reason: e.to_string() })?;
        author.check()?;
        Ok(author)
    }

    /// Refuses what cannot be built.
    ///
    /// # Errors
    /// [`Error::OutOfRange`], [`Error::InvalidCombination`], `unknown_name` naming the field.
    pub fn check(&self) -> Result<()> {
        domain::count("schema_version", self.schema_version as usize, 1, EXERCISE_VERSION as usize)?;
        domain::count("count", self.count, 1, 60)?;
        domain::between("distractor_share", self.distractor_share, 0.0, 1.0, "")?;
        domain::between("difficulty.from", self.difficulty.from, 0.0, 1.0, "")?;
        domain::between("difficulty.to", self.difficulty.to, self.difficulty.from, 1.0, "")?;
        domain::between("difficulty.within", self.difficulty.within, 1e-3, 1.0, "")?;
        domain::count("questions_per_item", self.questions_per_item, 1, 12)?;
        domain::count("safety_questions", self.safety_questions, 0, 10)?;
        domain::count("attempts", self.attempts, 1, 1000)?;
        domain::count("samples", self.samples, 4000, 200_000)?;
        domain::between("sample_rate_hz", self.sample_rate_hz, 4e4, 1e6, "Hz")?;
        #[allow(clippy::cast_precision_loss, reason = "at most 200 000")]
        domain::between(
            "samples / sample_rate_hz",
            self.samples as f64 / self.sample_rate_hz,
            LEAST_RECORD_S,
            5.0,
            "s",
        )?;
        self.check_lists()
    }

    fn check_lists(&self) -> Result<()> {
        if self.title.trim().is_empty() {
            return Err(invalid("title", "is empty"));
        }
        each_once("goals", &self.goals)?;
        each_once("patterns", &self.patterns)?;
        if !self.distractors.is_empty() {
            each_once("distractors", &self.distractors)?;
        }
        if self.goals.iter().all(|g| *g == Goal::Safety) {
            return Err(invalid("goals", "need at least one beside safety: an item asks about its capture"));
        }
        for word in &self.patterns {
            let wanted: Wanted = word.parse()?;
            if wanted.condition.is_some() {
                return Err(invalid("patterns", &format!("{word}: name the condition among the distractors")));
            }
            if wanted.fault == Some(Fault::Custom) {
                return Err(invalid("patterns", "custom has no pattern of its own"));
            }
        }
        Ok(())
    }
}

fn invalid(parameter: &str, reason: &str) -> Error {
    Error::InvalidCombination { parameter: parameter.into(), reason: reason.into() }
}

fn each_once<T: PartialEq>(parameter: &str, list: &[T]) -> Result<()> {
    if list.is_empty() {
        return Err(invalid(parameter, "is empty"));
    }
    if list.iter().enumerate().any(|(i, x)| list.iter().take(i).any(|y| y == x)) {
        return Err(invalid(parameter, "names something twice"));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn with(change: impl Fn(&mut Author)) -> Result<()> {
        let mut author = Author::from_json(
            r#"{"title": "t", "seed": 1, "count": 2, "goals": ["read_level"], "patterns": ["healthy"],
                "difficulty": {"from": 0.1, "to": 0.2}}"#,
        )
        .unwrap();
        change(&mut author);
        author.check()
    }

    #[test]
    fn every_field_is_checked_by_name() {
        type Change = fn(&mut Author);
        let wrong: [(&str, Change); 12] = [
            ("title", |a| a.title = "  ".into()),
            ("count", |a| a.count = 0),
            ("goals", |a| a.goals.clear()),
            ("goals", |a| a.goals = vec![Goal::ReadLevel, Goal::ReadLevel]),
            ("goals", |a| a.goals = vec![Goal::Safety]),
            ("pattern", |a| a.patterns = vec!["sick".into()]),
            ("patterns", |a| a.patterns = vec!["open_diode_ramp".into()]),
            ("difficulty.to", |a| a.difficulty.to = 0.05),
            ("difficulty.from", |a| a.difficulty.from = f64::NAN),
            ("samples", |a| a.samples = 10),
            ("samples / sample_rate_hz", |a| a.sample_rate_hz = 1e6),
            ("schema_version", |a| a.schema_version = 2),
        ];
        for (name, change) in wrong {
            assert_eq!(with(change).unwrap_err().parameter(), name);
        }
        with(|_| {}).unwrap();
    }

    #[test]
    fn an_unknown_field_is_refused() {
        let error = Author::from_json(r#"{"titel": "t"}"#).unwrap_err();
        assert_eq!(error.code(), "invalid_document");
        assert!(error.to_string().contains("titel"));
    }
}
