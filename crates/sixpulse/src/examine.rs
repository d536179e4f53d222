//! The main job: one capture in, one reasoned examination out.

use crate::contamination::Contamination;
use crate::cycle::Cycle;
use crate::findings::Finding;
use crate::quality::Quality;
use crate::rectifier::Rectifier;
use crate::ripple::Ripple;

pub use crate::level::{Level, LevelVerdict};

/// Alternator post against battery post.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Points {
    /// Name of the charging-post trace.
    pub post: String,
    /// Name of the battery-post trace.
    pub battery: String,
    /// Ripple r.m.s. at the charging post, volts.
    pub post_rms_v: f64,
    /// Ripple r.m.s. at the battery, volts.
    pub battery_rms_v: f64,
    /// Battery ripple r.m.s. / charging-post ripple r.m.s.: how much of the ripple the battery lets through.
    pub attenuation: f64,
}

/// Everything that one capture says.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Examination {
    /// Version of the layout of this result.
    pub schema_version: u32,
    /// Version of the library that made it.
    pub library_version: String,
    /// Parameters the analysis used, after defaults.
    #[cfg_attr(feature = "serde", serde(with = "crate::pairs"))]
    pub parameters: Vec<(String, f64)>,
    /// Fitness of the capture.
    pub quality: Quality,
    /// Charging level.
    pub level: Level,
    /// Ripple of the supply trace; `None` when there is no supply trace.
    pub ripple: Option<Ripple>,
    /// The electrical cycle.
    pub cycle: Cycle,
    /// The verdict on the rectifier.
    pub rectifier: Rectifier,
    /// Each circuit tested for contamination, by trace name.
    #[cfg_attr(feature = "serde", serde(with = "crate::pairs"))]
    pub contamination: Vec<(String, Contamination)>,
    /// Charging post against battery post, when both were captured.
    pub points: Option<Points>,
    /// The reasoned list a person reads, the most pressing first.
    pub findings: Vec<Finding>,
    /// Cautions that apply to the next tests.
    pub cautions: Vec<String>,
}
