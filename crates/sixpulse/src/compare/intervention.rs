//! Captures before, during and after an intervention: does a circuit's disturbance go with the charging ripple?
//!
//! Coherence between two periodic signals proves nothing; taking the ripple away and seeing the disturbance go does. The
//! captures need not be alike in length, rate or speed. In each the ripple is read on the same point, the circuit at the
//! ripple's orders (see `observe`), and both are compared by the logarithm of their r.m.s. values; the scatter over the
//! record gives the intervals.

use super::batches::Power;
use super::effect::{DoseResponse, Effect};
use super::observe::{self, Cycle, Signal, Transfer};
use super::verdict::{Case, InterventionCode, InterventionVerdict, acted};
use crate::error::{Error, Result};
use crate::examine::{ExamineOptions, track_of};
use crate::trace::{Capture, Machine, Role, Trace, words};

/// Place of a capture in an intervention.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum StageKind {
    /// As found.
    Before,
    /// With the field unplugged, or at another load or speed.
    During,
    /// Restored.
    After,
}
words!(StageKind, "stage", "before" => StageKind::Before, "during" => StageKind::During, "after" => StageKind::After);

/// The ripple in one capture.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct Stage {
    /// Which one.
    pub stage: StageKind,
    /// Electrical frequency found, hertz; `None` where there is no cycle (the ripple is gone).
    pub electrical_hz: Option<f64>,
    /// Engine speed as stated, 1/min.
    pub engine_rpm: Option<f64>,
    /// Ripple r.m.s. at its orders, noise taken off, volts.
    pub ripple_rms_v: f64,
    /// Standard uncertainty of it.
    pub ripple_rms_v_std: f64,
    /// Lower end of its 95 % interval; 0 where noise may account for all of it.
    pub ripple_rms_v_low: f64,
    /// Upper end of its 95 % interval.
    pub ripple_rms_v_high: f64,
}

/// A circuit in one capture.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct CircuitStage {
    /// Which one.
    pub stage: StageKind,
    /// R.m.s. at the ripple's orders, noise taken off, volts: what the circuit carries of the ripple where its transfer
    /// from the supply could be told (a turning wheel's own lines do not count then), else whatever stands there.
    pub at_ripple_rms_v: f64,
    /// Standard uncertainty of it.
    pub at_ripple_rms_v_std: f64,
    /// Lower end of its 95 % interval; 0 where noise may account for all of it.
    pub at_ripple_rms_v_low: f64,
    /// Upper end of its 95 % interval.
    pub at_ripple_rms_v_high: f64,
    /// R.m.s. between 20 Hz and order 12.5, noise taken off, volts.
    pub whole_rms_v: f64,
    /// The rest of it, away from the ripple's orders: the circuit's own signal, volts.
    pub own_rms_v: f64,
}

/// What the intervention says of one circuit.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct CircuitIntervention {
    /// The verdict.
    pub verdict: InterventionVerdict,
    /// Why, as a stable code.
    pub code: InterventionCode,
    /// Why, in a sentence with the numbers.
    pub reason: String,
    /// What to test next.
    pub next_test: String,
    /// The circuit in each capture: before, the steps in their order, after.
    pub stages: Vec<CircuitStage>,
    /// Change of the circuit at the ripple's orders from before to the step at which the ripple changed most; `None`
    /// where it shows nothing there before.
    pub effect: Option<Effect>,
    /// Change from before to after.
    pub effect_of_return: Option<Effect>,
    /// The circuit over the ripple in all captures; `None` for fewer than three or a ripple that hardly varies.
    pub dose_response: Option<DoseResponse>,
}

/// Something to bear in mind with an intervention.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
#[non_exhaustive]
pub enum InterventionNoteCode {
    /// The engine turned at another speed in one of the captures.
    EngineSpeedChanged,
    /// The ripple is gone and the engine's speed is not stated: the speed is taken to be the same.
    EngineSpeedUnknown,
    /// The ripple was read at the battery, which cushions it.
    MeasuredAtBattery,
    /// The ripple did not come back in the last capture.
    RippleNotRestored,
    /// No capture after restoring.
    NoReturnCapture,
    /// The circuit has a signal of its own, larger than what it carries of the ripple, that stays.
    OwnSignalStays,
}
words!(InterventionNoteCode, "code", "engine_speed_changed" => InterventionNoteCode::EngineSpeedChanged,
    "engine_speed_unknown" => InterventionNoteCode::EngineSpeedUnknown,
    "measured_at_battery" => InterventionNoteCode::MeasuredAtBattery,
    "ripple_not_restored" => InterventionNoteCode::RippleNotRestored,
    "no_return_capture" => InterventionNoteCode::NoReturnCapture,
    "own_signal_stays" => InterventionNoteCode::OwnSignalStays);

/// One such thing, in a sentence.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct InterventionNote {
    /// Stable code.
    pub code: InterventionNoteCode,
    /// What it means here.
    pub statement: String,
}

/// The result of an intervention.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct Interventions {
    /// Version of the layout of this result.
    pub schema_version: u32,
    /// Version of the library that made it.
    pub library_version: String,
    /// Where the ripple was read.
    pub supply_role: Role,
    /// Verdict over all circuits: that of the circuit which the ripple disturbs, where there is one; `not_supported` only
    /// when it is that for every circuit.
    pub verdict: InterventionVerdict,
    /// Name of the circuit that decides the verdict.
    pub circuit: String,
    /// Its code.
    pub code: InterventionCode,
    /// Its reason.
    pub reason: String,
    /// The ripple in each capture: before, the steps in their order, after.
    pub stages: Vec<Stage>,
    /// Number, from 1, of the step at which the ripple changed most.
    pub step: usize,
    /// Change of the ripple from before to that step; `None` where there is no ripple before.
    pub ripple_effect: Option<Effect>,
    /// Change of the ripple from before to after.
    pub ripple_effect_of_return: Option<Effect>,
    /// Each circuit, by trace name.
    #[cfg_attr(feature = "serde", serde(with = "crate::pairs"))]
    pub circuits: Vec<(String, CircuitIntervention)>,
    /// What to bear in mind.
    pub notes: Vec<InterventionNote>,
    /// Cautions that apply to the intervention.
    pub cautions: Vec<String>,
}

/// Version of the layout of [`Interventions`].
pub const INTERVENTIONS_VERSION: u32 = 1;

/// What is known besides the captures.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct InterventionOptions {
    /// What is known of the alternator.
    pub machine: Machine,
    /// Electrical frequency of the first capture in hertz, where known.
    pub electrical_hz: Option<f64>,
}

/// Compares captures before, during and after an intervention (field connector unplugged, load or speed changed).
///
/// `during` holds one capture or several steps. Circuits are the traces with a sensor's role in `before`; a later capture
/// must have a trace of the same name, or a single one of the same role.
///
/// ```
/// use sixpulse::compare::{InterventionOptions, InterventionVerdict, compare_interventions};
/// use sixpulse::{Capture, Coupling, Role, Trace};
/// // An open diode's ripple on 14 V, a quarter of it on the sensor; a few millivolts of noise (Lehmer generator).
/// let capture = |amount: f64| -> sixpulse::Result<Capture> {
///     let mut state = 12_345_u64;
///     let mut noise = move || {
///         state = state * 48_271 % 2_147_483_647;
///         0.006 * (state as f64 / 2_147_483_647.0 - 0.5)
///     };
///     let ripple = |i: i32| {
///         let theta = 2.0 * std::f64::consts::PI * 200.0 * f64::from(i) / 50_000.0;
///         let phase = |k: f64| (theta - k * 2.0 * std::f64::consts::PI / 3.0).cos();
///         let (a, b, c) = (phase(0.0), phase(1.0), phase(2.0));
///         amount * (b.max(c) - a.min(b).min(c) - 1.38)
///     };
///     let post = (0..20_000).map(|i| 13.0 + ripple(i) + noise()).collect();
///     let post = Trace::from_f64(post, 50_000.0, Coupling::Dc, Role::ChargingPost)?;
///     let mut state = 54_321_u64;
///     let mut noise = move || {
///         state = state * 48_271 % 2_147_483_647;
///         0.006 * (state as f64 / 2_147_483_647.0 - 0.5)
///     };
///     let sensor = (0..20_000).map(|i| 0.25 * ripple(i) + noise()).collect();
///     let sensor = Trace::from_f64(sensor, 50_000.0, Coupling::Dc, Role::SpeedSensor)?;
///     Capture::new(vec![("post".into(), post), ("sensor".into(), sensor)])
/// };
/// let (before, during, after) = (capture(0.3)?, capture(0.0)?, capture(0.3)?);
/// let found = compare_interventions(&before, &[during], Some(&after), &InterventionOptions::default())?;
/// assert_eq!(found.verdict, InterventionVerdict::CausedByChargingRipple);
/// assert_eq!(found.code.as_str(), "follows_and_returns");
/// # Ok::<(), sixpulse::Error>(())
/// ```
///
/// # Errors
/// [`Error::EmptyInput`] without a capture in `during`; [`Error::InvalidCombination`] when the captures share no measuring
/// point of the supply, when there is no circuit, or when one is missing in a later capture;
/// [`Error::OutOfRange`] for engine speeds whose quotient no number holds; as [`crate::examine()`].
pub fn compare_interventions(
    before: &Capture,
    during: &[Capture],
    after: Option<&Capture>,
    options: &InterventionOptions,
) -> Result<Interventions> {
    if during.is_empty() {
        return Err(Error::EmptyInput { parameter: "during".into() });
    }
    let captures: Vec<(StageKind, &Capture)> = std::iter::once((StageKind::Before, before))
        .chain(during.iter().map(|c| (StageKind::During, c)))
        .chain(after.map(|c| (StageKind::After, c)))
        .collect();
    let supply_role = common_supply(&captures)?;
    let names = circuits(before)?;
    for (kind, capture) in &captures {
        names.iter().try_for_each(|(name, role)| matching(capture, name, *role, *kind).map(|_| ()))?;
    }
    let record = Record::read(&captures, supply_role, &names, options)?;
    Ok(record.result(&names, supply_role))
}

/// The point at which every capture has the supply's voltage.
fn common_supply(captures: &[(StageKind, &Capture)]) -> Result<Role> {
    [Role::ChargingPost, Role::BatteryPost]
        .into_iter()
        .find(|role| captures.iter().all(|(_, c)| c.by_role(*role).is_some()))
        .ok_or_else(|| Error::InvalidCombination {
            parameter: "captures".into(),
            reason: "no supply voltage was captured at the same point in all of them".into(),
        })
}

/// Circuits of the first capture with their roles.
fn circuits(before: &Capture) -> Result<Vec<(String, Role)>> {
    let list: Vec<(String, Role)> =
        before.traces().iter().filter(|(_, t)| t.role().is_sensor()).map(|(n, t)| (n.clone(), t.role())).collect();
    if list.is_empty() {
        let reason = "there is no trace of a circuit (speed_sensor, edge_sensor or other) to compare";
        return Err(Error::InvalidCombination { parameter: "before".into(), reason: reason.into() });
    }
    Ok(list)
}

/// The trace of a later capture that belongs to a circuit: of its name, else the only one of its role.
fn matching<'a>(capture: &'a Capture, name: &str, role: Role, kind: StageKind) -> Result<&'a Trace> {
    let mut alike = capture.traces().iter().filter(|(_, t)| t.role() == role).map(|(_, t)| t);
    let named = capture.trace(name).filter(|t| t.role().is_sensor());
    match (named, alike.next(), alike.next()) {
        (Some(trace), _, _) | (None, Some(trace), None) => Ok(trace),
        _ => Err(Error::InvalidCombination {
            parameter: kind.as_str().into(),
            reason: format!("there is no trace \"{name}\", nor a single one with the role {role}"),
        }),
    }
}

/// One capture, read.
struct Observed {
    kind: StageKind,
    /// `None` where neither this capture nor the first one has a cycle.
    cycle: Option<Cycle>,
    engine_rpm: Option<f64>,
    ripple: Power,
    circuits: Vec<Signal>,
}

/// All captures, read.
struct Record {
    stages: Vec<Observed>,
}

/// Nothing: no ripple, no signal, and no record to tell how sure that is.
const NOTHING: Power = Power { mean_square: 0.0, std: 0.0, freedom: 1 };

impl Record {
    fn read(
        captures: &[(StageKind, &Capture)],
        supply_role: Role,
        names: &[(String, Role)],
        options: &InterventionOptions,
    ) -> Result<Self> {
        let mut stages: Vec<Observed> = Vec::with_capacity(captures.len());
        let mut first: Option<(&Capture, f64, Vec<usize>)> = None;
        for (kind, capture) in captures {
            let Some((_, supply)) = capture.by_role(supply_role) else { continue };
            let cycle = match (&first, kind) {
                (Some((before, hz, orders)), StageKind::During | StageKind::After) => {
                    let (expected_hz, known) = observe::expected_hz(before, *hz, capture)?;
                    Some(observe::later_cycle(supply, options.machine.pulse_number(), expected_hz, known, orders)?)
                }
                (None, StageKind::Before) => first_cycle(capture, supply, options)?,
                _ => None,
            };
            let orders = match &cycle {
                Some(Cycle::Tracked(track)) => observe::ripple_orders(supply, track),
                Some(Cycle::Expected(_, orders)) => orders.clone(),
                None => Vec::new(),
            };
            if *kind == StageKind::Before
                && let Some(cycle) = &cycle
            {
                first = Some((capture, cycle.electrical_hz(), orders.clone()));
            }
            let observed = Observed::read(*kind, capture, (supply, cycle, &orders), names, stages.first())?;
            stages.push(observed);
        }
        Ok(Self { stages })
    }

    fn before(&self) -> Option<&Observed> {
        self.stages.first()
    }

    fn after(&self) -> Option<&Observed> {
        self.stages.last().filter(|s| s.kind == StageKind::After)
    }

    /// The step at which the ripple changed most, with its number from 1 and the change.
    fn contrast(&self) -> Option<(usize, &Observed, Effect)> {
        let before = self.before()?;
        self.stages
            .iter()
            .filter(|s| s.kind == StageKind::During && s.engine_rpm != Some(0.0))
            .enumerate()
            .filter_map(|(i, s)| Some((i + 1, s, Effect::between(&before.ripple, &s.ripple)?)))
            .max_by(|a, b| change(&a.2).total_cmp(&change(&b.2)))
    }

    fn result(&self, names: &[(String, Role)], supply_role: Role) -> Interventions {
        let contrast = self.contrast();
        let circuits: Vec<(String, CircuitIntervention)> =
            names.iter().enumerate().map(|(i, (name, _))| (name.clone(), self.circuit(i, contrast.as_ref()))).collect();
        let rank = |c: &CircuitIntervention| match c.verdict {
            InterventionVerdict::CausedByChargingRipple => 0,
            InterventionVerdict::Undetermined => 1,
            InterventionVerdict::NotSupported => 2,
        };
        let deciding = circuits.iter().min_by_key(|(_, c)| rank(c));
        let (circuit, verdict, code, reason) = match deciding {
            Some((name, c)) => (name.clone(), c.verdict, c.code, c.reason.clone()),
            None => {
                let code = InterventionCode::CircuitBelowNoise;
                (String::new(), code.verdict(), code, String::new())
            }
        };
        Interventions {
            schema_version: INTERVENTIONS_VERSION,
            library_version: crate::VERSION.into(),
            supply_role,
            verdict,
            circuit,
            code,
            reason,
            stages: self.stages.iter().map(Observed::stage).collect(),
            step: contrast.as_ref().map_or(1, |c| c.0),
            ripple_effect: contrast.map(|c| c.2),
            ripple_effect_of_return: self.return_effect(),
            notes: self.notes(supply_role).into_iter().chain(self.own_signals(&circuits)).collect(),
            circuits,
            cautions: cautions(),
        }
    }

    fn return_effect(&self) -> Option<Effect> {
        Effect::between(&self.before()?.ripple, &self.after()?.ripple)
    }

    fn circuit(&self, i: usize, contrast: Option<&(usize, &Observed, Effect)>) -> CircuitIntervention {
        let signals: Vec<(&Observed, &Signal)> =
            self.stages.iter().filter_map(|s| Some((s, s.circuits.get(i)?))).collect();
        let doses: Vec<(Power, Power)> = signals.iter().map(|(s, c)| (s.ripple, c.at_ripple)).collect();
        let dose_response = self.before().filter(|b| b.ripple.is_clear()).and_then(|_| DoseResponse::fit(&doses));
        let before = signals.first().map(|(_, c)| *c);
        let during = contrast.and_then(|(_, s, _)| s.circuits.get(i));
        let after = self.after().and_then(|s| s.circuits.get(i));
        let between = |later: Option<&Signal>| Effect::between(&before?.at_ripple, &later?.at_ripple);
        let (effect, effect_of_return) = (between(during), between(after));
        let code = self.code(before.zip(during), after, contrast, dose_response.as_ref());
        let words = Words { ripple: contrast.map(|c| &c.2), circuit: effect.as_ref(), before };
        CircuitIntervention {
            verdict: code.verdict(),
            code,
            reason: words.reason(code),
            next_test: code.next_test().into(),
            stages: signals.iter().map(|(s, c)| circuit_stage(s.kind, c)).collect(),
            effect,
            effect_of_return,
            dose_response,
        }
    }

    fn code(
        &self,
        signals: Option<(&Signal, &Signal)>,
        after: Option<&Signal>,
        contrast: Option<&(usize, &Observed, Effect)>,
        dose: Option<&DoseResponse>,
    ) -> InterventionCode {
        let steps = || self.stages.iter().filter(|s| s.kind == StageKind::During);
        let Some(first) = self.before().filter(|b| b.ripple.is_clear()) else {
            return InterventionCode::NoRippleBefore;
        };
        if steps().all(|s| s.engine_rpm == Some(0.0)) {
            return InterventionCode::EngineStopped;
        }
        let (Some((before, during)), Some((_, stage, ripple))) = (signals, contrast) else {
            return InterventionCode::NoRippleBefore;
        };
        if !acted(ripple) {
            return InterventionCode::RippleUnchanged;
        }
        let case = Case {
            before,
            during,
            during_tracked: stage.cycle.as_ref().is_some_and(Cycle::is_tracked),
            after,
            ripple_before_v: first.ripple.rms(),
            ripple,
            ripple_return: None,
            dose,
        };
        let back = self.return_effect();
        Case { ripple_return: back.as_ref(), ..case }.judge()
    }

    fn notes(&self, supply_role: Role) -> Vec<InterventionNote> {
        let mut list = Vec::new();
        let mut add = |code, statement: String| list.push(InterventionNote { code, statement });
        if supply_role == Role::BatteryPost {
            let statement = "The ripple was read at the battery, which cushions it; the change counts, not the size.";
            add(InterventionNoteCode::MeasuredAtBattery, statement.into());
        }
        if let Some((from, to)) = self.speed_change() {
            let statement = format!(
                "The engine's speed changed ({from:.0} to {to:.0} Hz electrical): ripple and path change with it."
            );
            add(InterventionNoteCode::EngineSpeedChanged, statement);
        }
        let known = |s: &Observed| s.engine_rpm.is_some();
        let lost = |s: &Observed| s.cycle.as_ref().is_some_and(|c| !c.is_tracked());
        let all_known = self.before().is_some_and(known);
        if self.stages.iter().any(|s| lost(s) && !(all_known && known(s))) {
            let statement =
                "Where the ripple is gone the engine is taken to turn as fast as before: its speed is not stated.";
            add(InterventionNoteCode::EngineSpeedUnknown, statement.into());
        }
        match self.return_effect() {
            Some(back) if back.ratio < 0.5 => add(
                InterventionNoteCode::RippleNotRestored,
                format!(
                    "In the last capture the ripple is at {:.0} % of what it was: it was not restored.",
                    100.0 * back.ratio
                ),
            ),
            None if self.after().is_none() => add(
                InterventionNoteCode::NoReturnCapture,
                "There is no capture after restoring: a disturbance that went by chance is not excluded.".into(),
            ),
            _ => {}
        }
        list
    }

    /// A disturbed circuit's own signal is a turning wheel's, or that of a second source.
    fn own_signals(&self, circuits: &[(String, CircuitIntervention)]) -> Vec<InterventionNote> {
        let signals = self.before().map(|b| b.circuits.as_slice()).unwrap_or_default();
        let kept = |((name, found), signal): (&(String, CircuitIntervention), &Signal)| {
            let own = signal.own();
            let larger = own.is_clear() && own.rms() > signal.at_ripple.rms();
            (larger && found.verdict == InterventionVerdict::CausedByChargingRipple).then(|| InterventionNote {
                code: InterventionNoteCode::OwnSignalStays,
                statement: format!(
                    "\"{name}\" has a signal of its own that stays ({:.0} mV r.m.s.): a wheel that turns, or, with the \
                     sensor at rest, a second source besides the ripple.",
                    1e3 * own.rms()
                ),
            })
        };
        circuits.iter().zip(signals).filter_map(kept).collect()
    }

    /// Electrical frequency before and at the stage that departs by more than 5 % from it. Readings a third or a half
    /// apart are the same speed read as another order.
    fn speed_change(&self) -> Option<(f64, f64)> {
        let from = self.before()?.cycle.as_ref()?.electrical_hz();
        let departs = |hz: f64| {
            let near = |factor: f64| (hz / (factor * from) - 1.0).abs() < 0.05;
            ![1.0, 2.0, 3.0, 0.5, 1.0 / 3.0].into_iter().any(near)
        };
        let mut others = self.stages.iter().filter_map(|s| s.cycle.as_ref().map(Cycle::electrical_hz));
        others.find(|hz| departs(*hz)).map(|to| (from, to))
    }
}

/// How far an effect lies from no change.
fn change(effect: &Effect) -> f64 {
    effect.log_ratio.map_or(f64::MAX, f64::abs)
}

fn first_cycle(capture: &Capture, supply: &Trace, options: &InterventionOptions) -> Result<Option<Cycle>> {
    let known = ExamineOptions { machine: options.machine, electrical_hz: options.electrical_hz };
    let alone = Capture::new(vec![("supply".into(), supply.clone())])?;
    let alone = match capture.engine_rpm() {
        Some(rpm) => alone.with_engine_rpm(rpm)?,
        None => alone,
    };
    Ok(track_of(&alone, &known)?.map(Cycle::Tracked))
}

impl Observed {
    /// Reads a capture at the orders of a cycle; `before` is the first stage.
    fn read(
        kind: StageKind,
        capture: &Capture,
        (supply, cycle, orders): (&Trace, Option<Cycle>, &[usize]),
        names: &[(String, Role)],
        before: Option<&Self>,
    ) -> Result<Self> {
        let ripple = cycle.as_ref().map_or(Ok(NOTHING), |cycle| observe::read_supply(supply, cycle, orders))?;
        let circuits = names.iter().enumerate().map(|(i, (name, role))| {
            let trace = matching(capture, name, *role, kind)?;
            let first = before.and_then(|b| b.circuits.get(i));
            match &cycle {
                Some(cycle) => observe::read_circuit(trace, supply, cycle, orders, first),
                None => Ok(Signal { at_ripple: NOTHING, whole: NOTHING, transfer: Transfer::Unknown }),
            }
        });
        let circuits = circuits.collect::<Result<Vec<_>>>()?;
        Ok(Self { kind, engine_rpm: capture.engine_rpm(), ripple, circuits, cycle })
    }

    fn stage(&self) -> Stage {
        let (low, high) = self.ripple.interval();
        Stage {
            stage: self.kind,
            electrical_hz: self.cycle.as_ref().filter(|c| c.is_tracked()).map(Cycle::electrical_hz),
            engine_rpm: self.engine_rpm,
            ripple_rms_v: self.ripple.rms(),
            ripple_rms_v_std: self.ripple.rms_std(),
            ripple_rms_v_low: low,
            ripple_rms_v_high: high,
        }
    }
}

fn circuit_stage(stage: StageKind, signal: &Signal) -> CircuitStage {
    let (low, high) = signal.at_ripple.interval();
    CircuitStage {
        stage,
        at_ripple_rms_v: signal.at_ripple.rms(),
        at_ripple_rms_v_std: signal.at_ripple.rms_std(),
        at_ripple_rms_v_low: low,
        at_ripple_rms_v_high: high,
        whole_rms_v: signal.whole.rms(),
        own_rms_v: signal.own().rms(),
    }
}

/// The figures of which a reason speaks.
struct Words<'a> {
    ripple: Option<&'a Effect>,
    circuit: Option<&'a Effect>,
    before: Option<&'a Signal>,
}

impl Words<'_> {
    fn reason(&self, code: InterventionCode) -> String {
        let percent = |e: Option<&Effect>| e.map_or_else(|| "unknown".into(), percent);
        let (ripple, circuit) = (percent(self.ripple), percent(self.circuit));
        let changes = format!("the ripple went to {ripple} of what it was, the circuit at its orders to {circuit}");
        let before_mv = self.before.map_or(0.0, |b| 1e3 * b.at_ripple.interval().1);
        match code {
            InterventionCode::FollowsRipple => format!("the disturbance goes with the ripple: {changes}"),
            InterventionCode::FollowsAndReturns => {
                format!("the disturbance goes with the ripple and comes back with it: {changes}")
            }
            InterventionCode::CircuitStays if self.circuit.is_none() => format!(
                "the ripple went to {ripple} of what it was; the circuit carried none of it (less than \
                 {before_mv:.1} mV r.m.s.), and what it does show stays"
            ),
            InterventionCode::CircuitStays => format!("the disturbance stays: {changes}"),
            InterventionCode::NoRippleBefore => {
                "the first capture shows no rectifier ripple that could be taken away".into()
            }
            InterventionCode::EngineStopped => {
                "the engine stood in the second capture, and with it every other source that it drives".into()
            }
            InterventionCode::RippleUnchanged => {
                format!("the intervention did not act: the ripple went to {ripple} of what it was")
            }
            InterventionCode::CircuitBelowNoise => format!(
                "before the intervention the circuit shows nothing clear of its noise at the ripple's orders (at most \
                 {before_mv:.1} mV r.m.s.)"
            ),
            InterventionCode::SensorTurned => {
                "the circuit's own signal changed between the captures or lies on the ripple's frequencies: the sensor \
                 turned in one of them"
                    .into()
            }
            InterventionCode::ChangesLess => format!("it changes less than the ripple does: {changes}"),
            InterventionCode::ChangesMore => format!("it changes more than the ripple does: {changes}"),
            InterventionCode::DidNotReturn => {
                format!("the ripple came back, the disturbance did not; before that {changes}")
            }
            InterventionCode::DoseDisagrees => {
                format!("over the steps the circuit keeps a large part without any ripple, though {changes}")
            }
        }
    }
}

fn percent(effect: &Effect) -> String {
    format!("{:.0} % ({:.0} to {:.0} %)", 100.0 * effect.ratio, 100.0 * effect.ratio_low, 100.0 * effect.ratio_high)
}

/// The cautions for taking the ripple away, those that matter most first (common service practice; REFERENCE-VALUES G).
#[must_use]
pub fn cautions() -> Vec<String> {
    [
        "The vehicle maker's procedure, local rules and licensed practice come before anything said here.",
        "Unplug and plug the alternator's field or regulator connector with the engine and the ignition off only.",
        "Never disconnect the battery, the alternator's output cable or a test lead of the charging circuit while the engine runs: the load dump can reach 100 V.",
        "With the field off the battery alone feeds the vehicle: keep the run short, and expect warning lamps and stored fault codes.",
        "An alternator that a control module commands may go on charging at a default level when its connector is unplugged: see that the ripple is gone before the circuit is judged.",
        "Keep hair, clothing and leads clear of belt and fan; run the engine only with ventilation or extraction; park brake set, in neutral or park.",
    ]
    .map(String::from)
    .into()
}
