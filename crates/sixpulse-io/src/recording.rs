//! What a file holds before roles are given to its columns, and the step from there to a [`Capture`].

use crate::error::{Error, Reason, Result};
use crate::request::{Channel, ColumnKey, Request};
use crate::unit::Unit;
use sixpulse::{Capture, Coupling, RawSamples, Role, Trace};
use std::path::{Path, PathBuf};

/// Largest relative difference between two statements of one sample rate that still counts as agreement.
///
/// Ours: wide enough for an interval printed with four digits, narrow against any real difference in setting.
pub const RATE_TOLERANCE: f64 = 1e-3;

/// What the numbers of a column are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scaling {
    /// Values in the column's unit.
    Units,
    /// Bare converter counts: the caller's `scale` is units per count.
    Counts,
    /// Fractions of full scale (1 = full scale): the caller's `scale` is units at full scale.
    FullScale,
}

/// One column of a file.
#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    /// Position in the file, counting from 0.
    pub position: usize,
    /// Name without unit.
    pub name: String,
    /// The whole header cell, where it differs from the name.
    pub label: String,
    /// Unit of the values, without prefix, where the file states it.
    pub unit: Option<String>,
    /// What the numbers are.
    pub scaling: Scaling,
    /// The samples, with prefixes such as milli already resolved.
    pub samples: RawSamples,
    /// Coupling, where the file states it.
    pub coupling: Option<Coupling>,
    /// Corner of the AC coupling in hertz, where the file states it.
    pub coupling_corner_hz: Option<f64>,
    /// Role, where the file states it (files written by this library do).
    pub role: Option<Role>,
}

impl Column {
    /// A column of values whose unit, coupling and role the file does not state.
    #[must_use]
    pub fn new(position: usize, name: &str, samples: RawSamples, scaling: Scaling) -> Self {
        Self {
            position,
            name: name.into(),
            label: name.into(),
            unit: None,
            scaling,
            samples,
            coupling: None,
            coupling_corner_hz: None,
            role: None,
        }
    }

    /// The same column with the unit the file states for it; a prefix is resolved in the samples.
    #[must_use]
    pub fn with_stated_unit(mut self, unit: &str) -> Self {
        let unit = Unit::parse(unit).unwrap_or_else(|| Unit { base: unit.trim().into(), factor: 1.0 });
        if !unit.base.is_empty() {
            self.unit = Some(unit.base);
        }
        self.samples = times(self.samples, unit.factor);
        self
    }

    /// A column from a heading such as `"CH1 (mV)"`: name, unit and prefix are taken apart as in a text file's header.
    #[must_use]
    pub fn from_heading(position: usize, heading: &str, samples: RawSamples, scaling: Scaling) -> Self {
        let (name, unit) = crate::unit::split_name(heading);
        let column = Self { label: heading.into(), ..Self::new(position, &name, samples, scaling) };
        match unit {
            Some(unit) => Self { unit: Some(unit.base), samples: times(column.samples, unit.factor), ..column },
            None => column,
        }
    }
}

/// One statement of the sample rate.
#[derive(Debug, Clone, PartialEq)]
pub struct Rate {
    /// Samples per second.
    pub hz: f64,
    /// Where it is stated, in words.
    pub source: String,
    /// How far the statement itself may be off, such as by the digits it is printed with.
    pub uncertainty_hz: f64,
}

/// What a file holds: columns, and what it states about the sample rate.
#[derive(Debug, Clone, PartialEq)]
pub struct Recording {
    /// The file.
    pub path: PathBuf,
    /// The columns read.
    pub columns: Vec<Column>,
    /// Every statement of the sample rate, the most exact first.
    pub rates: Vec<Rate>,
    /// Engine speed in 1/min, where the file states it.
    pub engine_rpm: Option<f64>,
    /// Battery temperature in degrees Celsius, where the file states it.
    pub battery_temperature_c: Option<f64>,
}

/// Name and whole header cell of a column, as [`resolve`] searches them.
pub(crate) struct Heading<'a> {
    pub(crate) position: usize,
    pub(crate) name: &'a str,
    pub(crate) label: &'a str,
}

/// Index into `headings` of the column a key means.
pub(crate) fn resolve(path: &Path, key: &ColumnKey, headings: &[Heading]) -> Result<usize> {
    let at = |position: usize| headings.iter().position(|h| h.position == position);
    let found = match key {
        ColumnKey::Position(position) => at(*position),
        ColumnKey::Name(name) => {
            let bearers: Vec<usize> =
                (0..headings.len()).filter(|&i| headings[i].name == name || headings[i].label == name).collect();
            if bearers.len() > 1 {
                let reason = Reason::AmbiguousColumn { key: key.to_string(), count: bearers.len() };
                return Err(Error::new(path, reason));
            }
            bearers.first().copied().or_else(|| name.parse().ok().and_then(at))
        }
    };
    found.ok_or_else(|| {
        Error::new(path, Reason::UnknownColumn { key: key.to_string(), available: list_headings(headings) })
    })
}

/// The columns of a file in words, cut short where there are many.
pub(crate) fn list_headings(headings: &[Heading]) -> String {
    const SHOWN: usize = 12;
    let mut words: Vec<String> =
        headings.iter().take(SHOWN).map(|h| format!("{} (\"{}\")", h.position, h.name)).collect();
    if headings.len() > SHOWN {
        words.push(format!("and {} more", headings.len() - SHOWN));
    }
    format!("columns {}", words.join(", "))
}

impl Recording {
    /// The capture that a request makes of this recording.
    ///
    /// # Errors
    /// The codes `roles_unknown`, `unknown_column`, `ambiguous_column`, `coupling_unknown`, `scale_unknown`,
    /// `unit_conflict`, `rate_unknown`, `rate_conflict`, and what [`Trace`] and [`Capture`] refuse.
    pub fn into_capture(self, request: &Request) -> Result<Capture> {
        let path = self.path.clone();
        let sample_rate_hz = self.settle_rate(request.sample_rate_hz)?;
        let channels = self.channels(request)?;
        let (engine_rpm, temperature_c) = (self.engine_rpm, self.battery_temperature_c);
        let headings: Vec<(usize, String, String)> =
            self.columns.iter().map(|c| (c.position, c.name.clone(), c.label.clone())).collect();
        let headings: Vec<Heading> =
            headings.iter().map(|(position, name, label)| Heading { position: *position, name, label }).collect();
        let mut columns: Vec<Option<Column>> = self.columns.into_iter().map(Some).collect();
        let mut traces = Vec::with_capacity(channels.len());
        for channel in &channels {
            let at = resolve(&path, &channel.column, &headings)?;
            let heading = headings[at].name;
            let Some(column) = columns[at].take() else {
                return Err(core(&path, heading, invalid("roles", "this column is given two roles")));
            };
            let name = channel.name.clone().unwrap_or_else(|| heading.to_owned());
            traces.push((name, trace(&path, column, channel, request, sample_rate_hz)?));
        }
        let whole = |e| Error::new(&path, Reason::Core(e));
        let mut capture = Capture::new(traces).map_err(whole)?;
        if let Some(rpm) = request.engine_rpm.or(engine_rpm) {
            capture = capture.with_engine_rpm(rpm).map_err(whole)?;
        }
        if let Some(celsius) = request.battery_temperature_c.or(temperature_c) {
            capture = capture.with_battery_temperature_c(celsius).map_err(whole)?;
        }
        Ok(capture)
    }

    /// The request's channels, or those the file states itself.
    fn channels(&self, request: &Request) -> Result<Vec<Channel>> {
        if !request.channels.is_empty() {
            return Ok(request.channels.clone());
        }
        let stated: Vec<Channel> =
            self.columns.iter().filter_map(|c| Some(Channel::new(c.position, c.role?))).collect();
        if stated.is_empty() {
            let headings: Vec<Heading> =
                self.columns.iter().map(|c| Heading { position: c.position, name: &c.name, label: &c.label }).collect();
            return Err(Error::new(&self.path, Reason::RolesUnknown { available: list_headings(&headings) }));
        }
        Ok(stated)
    }

    /// One rate from what the caller and the file state; the caller's figure, then the file's most exact one.
    fn settle_rate(&self, given_hz: Option<f64>) -> Result<f64> {
        let given = given_hz.map(|hz| Rate { hz, source: "given".into(), uncertainty_hz: 0.0 });
        let mut all = given.iter().chain(&self.rates);
        let Some(first) = all.next() else {
            let detail = "the file states none; give sample_rate_hz".into();
            return Err(Error::new(&self.path, Reason::RateUnknown { detail }));
        };
        for other in all {
            let allowed = RATE_TOLERANCE * first.hz.abs() + first.uncertainty_hz + other.uncertainty_hz;
            if (other.hz - first.hz).abs() > allowed {
                return Err(Error::new(
                    &self.path,
                    Reason::RateConflict {
                        first_hz: first.hz,
                        first_source: first.source.clone(),
                        second_hz: other.hz,
                        second_source: other.source.clone(),
                    },
                ));
            }
        }
        if first.uncertainty_hz > RATE_TOLERANCE * first.hz {
            let detail = format!(
                "the {} is known to {:.2} % only; give sample_rate_hz",
                first.source,
                100.0 * first.uncertainty_hz / first.hz
            );
            return Err(Error::new(&self.path, Reason::RateUnknown { detail }));
        }
        Ok(first.hz)
    }
}

fn core(path: &Path, column: &str, error: sixpulse::Error) -> Error {
    Error::new(path, Reason::Core(error)).in_column(column)
}

fn invalid(parameter: &str, reason: &str) -> sixpulse::Error {
    sixpulse::Error::InvalidCombination { parameter: parameter.into(), reason: reason.into() }
}

/// One column as a trace.
fn trace(path: &Path, column: Column, channel: &Channel, request: &Request, sample_rate_hz: f64) -> Result<Trace> {
    let name = column.name.clone();
    let at = |reason| Error::new(path, reason).in_column(&name);
    let given = channel.coupling.or(request.coupling);
    let coupling = given.or(column.coupling).ok_or_else(|| at(Reason::CouplingUnknown))?;
    let scale = channel.scale.or(request.scale);
    if scale.is_none() {
        check_scaling(column.scaling).map_err(at)?;
    }
    let unit = settle_unit(&column, channel, request, scale).map_err(at)?;
    let corner_hz = column.coupling_corner_hz;
    let samples = scaled(column.samples, scale.unwrap_or(1.0)).map_err(|e| core(path, &name, e))?;
    let build = || {
        let trace = Trace::new(samples, sample_rate_hz, coupling, channel.role)?.with_unit(&unit)?;
        match corner_hz {
            Some(corner_hz) => trace.with_coupling_corner_hz(corner_hz),
            None => Ok(trace),
        }
    };
    build().map_err(|e| core(path, &name, e))
}

fn check_scaling(scaling: Scaling) -> std::result::Result<(), Reason> {
    let detail = match scaling {
        Scaling::Units => return Ok(()),
        Scaling::Counts => "the file holds bare counts; give scale = units (such as volts) per count",
        Scaling::FullScale => "the file holds fractions of full scale; give scale = volts at full scale",
    };
    Err(Reason::ScaleUnknown { detail: detail.into() })
}

/// The unit after `scale`: the caller's, else the file's where it suits the role, else the role's.
fn settle_unit(
    column: &Column,
    channel: &Channel,
    request: &Request,
    scale: Option<f64>,
) -> std::result::Result<String, Reason> {
    if let Some(unit) = channel.unit.as_ref().or(request.unit.as_ref()) {
        return match Unit::parse(unit) {
            #[allow(clippy::float_cmp, reason = "the factor of an unprefixed unit is exactly 1")]
            Some(parsed) if parsed.factor != 1.0 => Err(Reason::UnitConflict {
                detail: format!(
                    "\"{unit}\" has a prefix; give unit = \"{}\" and put the factor {} into scale",
                    parsed.base, parsed.factor
                ),
            }),
            _ => Ok(unit.clone()),
        };
    }
    let expected = channel.role.unit();
    if channel.role == Role::Other {
        return Ok(column.unit.clone().unwrap_or_else(|| expected.into()));
    }
    match &column.unit {
        // A probe's or a clamp's factor carries the file's unit over to the role's.
        Some(stated) if stated != expected && scale.is_none() => Err(Reason::UnitConflict {
            detail: format!(
                "the file states {stated}, the role {} is in {expected}; give scale = {expected} per {stated}",
                channel.role
            ),
        }),
        _ => Ok(expected.into()),
    }
}

/// Values times a factor; counts stay counts, single precision is widened rather than rounded a second time.
fn scaled(samples: RawSamples, factor: f64) -> sixpulse::Result<RawSamples> {
    if !factor.is_finite() || factor == 0.0 {
        return Err(sixpulse::Error::OutOfRange {
            parameter: "scale".into(),
            expected: "a finite number other than 0".into(),
            actual: factor,
        });
    }
    Ok(times(samples, factor))
}

fn times(samples: RawSamples, factor: f64) -> RawSamples {
    #[allow(clippy::float_cmp, reason = "only the exact factor 1 leaves the samples as they are")]
    if factor == 1.0 {
        return samples;
    }
    match samples {
        RawSamples::I16 { counts, scale, offset } => {
            RawSamples::I16 { counts, scale: scale * factor, offset: offset * factor }
        }
        RawSamples::F32(values) => RawSamples::F64(values.iter().map(|&x| f64::from(x) * factor).collect()),
        RawSamples::F64(mut values) => {
            values.iter_mut().for_each(|x| *x *= factor);
            RawSamples::F64(values)
        }
    }
}
