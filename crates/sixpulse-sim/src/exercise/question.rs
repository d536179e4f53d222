//! What the learner sees: sheets, questions and options, without any truth.

use serde::{Deserialize, Serialize};

use super::author::{Confidence, Goal};

/// What a question asks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum QuestionKind {
    /// Mean of the supply trace.
    ReadLevel,
    /// R.m.s. ripple of the supply trace.
    ReadRipple,
    /// Peak-to-peak ripple of the supply trace.
    ReadPeakToPeak,
    /// Electrical frequency.
    ReadElectricalHz,
    /// Which rectifier pattern, and by which evidence.
    ChoosePattern,
    /// What to change before the next capture: setting or measuring point.
    ChooseSetting,
    /// Whether the sensor's line carries the ripple.
    IsContaminated,
    /// How much of it, volts per volt.
    ContaminationGain,
    /// What the speed display shows.
    IndicatedSpeed,
    /// Order of the next tests.
    OrderTests,
    /// What must not be replaced yet.
    KeepParts,
    /// Which phase the fault is in.
    NamePhase,
    /// Working safely.
    Safety,
}

impl QuestionKind {
    /// Every kind that is asked about a capture.
    pub const OF_A_CAPTURE: [Self; 12] = [
        Self::ChoosePattern,
        Self::ReadLevel,
        Self::ReadRipple,
        Self::ReadPeakToPeak,
        Self::ReadElectricalHz,
        Self::ChooseSetting,
        Self::IsContaminated,
        Self::ContaminationGain,
        Self::IndicatedSpeed,
        Self::OrderTests,
        Self::KeepParts,
        Self::NamePhase,
    ];

    /// The goal that it serves.
    #[must_use]
    pub fn goal(self) -> Goal {
        match self {
            Self::ReadLevel => Goal::ReadLevel,
            Self::ReadRipple | Self::ReadPeakToPeak => Goal::MeasureRipple,
            Self::ReadElectricalHz => Goal::ElectricalCycle,
            Self::ChoosePattern => Goal::TellPatterns,
            Self::ChooseSetting => Goal::SettingsAndPoints,
            Self::IsContaminated | Self::ContaminationGain => Goal::Contamination,
            Self::IndicatedSpeed => Goal::IndicatedSpeed,
            Self::OrderTests => Goal::NextTests,
            Self::KeepParts => Goal::KeepParts,
            Self::NamePhase => Goal::LimitsOfTheCapture,
            Self::Safety => Goal::Safety,
        }
    }

    /// How it is answered.
    #[must_use]
    pub fn form(self) -> AnswerForm {
        match self {
            Self::ReadLevel
            | Self::ReadRipple
            | Self::ReadPeakToPeak
            | Self::ReadElectricalHz
            | Self::ContaminationGain
            | Self::IndicatedSpeed => AnswerForm::Number,
            Self::ChoosePattern | Self::ChooseSetting | Self::IsContaminated | Self::NamePhase | Self::Safety => {
                AnswerForm::Choice
            }
            Self::OrderTests => AnswerForm::Order,
            Self::KeepParts => AnswerForm::Set,
        }
    }

    /// Unit of the answer; a number without a unit is taken in it.
    #[must_use]
    pub fn unit(self) -> Option<&'static str> {
        match self {
            Self::ReadLevel | Self::ReadRipple | Self::ReadPeakToPeak => Some("V"),
            Self::ReadElectricalHz => Some("Hz"),
            Self::ContaminationGain => Some("V/V"),
            Self::IndicatedSpeed => Some("km/h"),
            _ => None,
        }
    }
}

/// How a question is answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AnswerForm {
    /// A number with a unit, or `cannot`.
    Number,
    /// One label.
    Choice,
    /// All labels, first to last.
    Order,
    /// Any number of labels.
    Set,
}

/// One option of a question.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Choice {
    /// What the learner writes: `a`, `b` ...
    pub label: String,
    /// Stable name, which is taken as an answer as well.
    pub code: String,
    /// What it says.
    pub text: String,
}

/// One question.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Question {
    /// Such as `item-03-2` or `safety-1`.
    pub id: String,
    /// The item it is about; `None` for safety questions.
    pub item: Option<String>,
    /// What it asks.
    pub kind: QuestionKind,
    /// How it is answered.
    pub form: AnswerForm,
    /// The question in words.
    pub text: String,
    /// Unit of a number.
    pub unit: Option<String>,
    /// Options; empty for numbers.
    pub options: Vec<Choice>,
    /// Evidence to choose from beside the answer; empty where none is asked for.
    pub evidence: Vec<Choice>,
    /// Points it can bring.
    pub points: f64,
}

/// What stands beside a capture: what the technician knows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ItemSheet {
    /// Such as `item-03`.
    pub id: String,
    /// The story in a few sentences.
    pub story: String,
    /// Where each channel's probe is and how it is coupled, a sentence each: channel 1, channel 2.
    pub channels: Vec<String>,
    /// Roles of the channels for `read`: channel 1, channel 2.
    pub roles: Vec<String>,
    /// Coupling of the channels: channel 1, channel 2.
    pub couplings: Vec<String>,
    /// Engine speed read, 1/min; `None` where it was not noted.
    pub engine_rpm: Option<f64>,
    /// Belt ratio; `None` likewise.
    pub pulley_ratio: Option<f64>,
    /// Pole pairs; `None` likewise.
    pub pole_pairs: Option<u32>,
    /// Pulses of the wheel sensor per metre of way.
    pub pulses_per_m: f64,
}

/// Everything that the learner gets beside the captures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct QuestionSet {
    /// Layout version.
    pub schema_version: u32,
    /// Version of the library.
    pub library_version: String,
    /// Title.
    pub title: String,
    /// Learning goals.
    pub goals: Vec<Goal>,
    /// Whether confidence is asked for.
    pub confidence: Confidence,
    /// Samples per second of every capture.
    pub sample_rate_hz: f64,
    /// Samples of every channel.
    pub samples: usize,
    /// Cautions for work on the vehicle.
    pub cautions: Vec<String>,
    /// Sheets in order.
    pub items: Vec<ItemSheet>,
    /// Questions in order.
    pub questions: Vec<Question>,
    /// The rubric by which answers are graded.
    pub rubric: super::rubric::Rubric,
}
