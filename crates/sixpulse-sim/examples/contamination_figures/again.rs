//! The same vehicle captured again: with a better instrument, or with other coupling.

use super::{Case, Outcome, same, stated_hz};
use sixpulse::{Capture, Role};
use sixpulse_sim::scenario::{Scenario, simulate};
use sixpulse_sim::sensor::{Element, Path};

/// Change of the coupling that a count must stand: the accuracy asked of a gain.
const CHANGE: f64 = 0.03;
/// Factor on sample rate and length.
const MORE: usize = 4;

/// How much better than drawn the instrument is; each includes the one before.
#[derive(Clone, Copy, PartialEq)]
pub(crate) enum Rung {
    /// No noise, 16 bits.
    Quiet,
    /// Four times the sample rate.
    Finer,
    /// Four times the length.
    Longer,
}

impl Rung {
    pub(crate) fn cause(self) -> &'static str {
        match self {
            Self::Quiet => "noise and rounding",
            Self::Finer => "sample rate: the supply rings beyond half of it",
            Self::Longer => "length of the record",
        }
    }
}

/// A scenario with what its repetitions gave.
pub(crate) struct Again<'a> {
    scenario: &'a Scenario,
    cases: Vec<(Rung, Option<Case>)>,
}

impl<'a> Again<'a> {
    pub(crate) fn new(scenario: &'a Scenario) -> Self {
        Self { scenario, cases: Vec::new() }
    }

    fn better(&self, rung: Rung) -> Scenario {
        let mut out = self.scenario.clone();
        out.scope.bits = 16;
        out.channels.post.noise_v = 0.0;
        out.channels.sensor.iter_mut().for_each(|c| c.noise_v = 0.0);
        if rung != Rung::Quiet {
            out.scope.sample_rate_hz *= MORE as f64;
            out.scope.samples *= MORE;
        }
        if rung == Rung::Longer {
            out.scope.samples *= MORE;
        }
        out
    }

    /// The least improvement with which the target is met.
    pub(crate) fn first_met(&mut self, what: &str) -> Outcome<Option<Rung>> {
        for rung in [Rung::Quiet, Rung::Finer, Rung::Longer] {
            if self.cases.iter().all(|(r, _)| *r != rung) {
                let scenario = self.better(rung);
                let case = match simulate(&scenario) {
                    Ok((capture, truth)) => Case::new(&scenario, &capture, &truth)?,
                    Err(_) => None,
                };
                self.cases.push((rung, case));
            }
            let case = self.cases.iter().find(|(r, _)| *r == rung).and_then(|(_, c)| c.as_ref());
            if case.is_some_and(|c| c.checks().iter().any(|(name, met)| name == what && *met)) {
                return Ok(Some(rung));
            }
        }
        Ok(None)
    }

    /// Whether the simulator's own conditioner counts the same on what an instrument without noise records at the sample
    /// rate drawn, and on the line with 3 % more and less of the ripple.
    pub(crate) fn count_can_be_had(&self, expected_hz: f64) -> bool {
        let recorded = simulate(&self.better(Rung::Quiet)).ok().and_then(|(capture, _)| self.counted_on(&capture));
        let with = |factor: f64| {
            let truth = simulate(&self.coupled(factor)).ok()?.1;
            let sensor = truth.sensor?;
            Some(stated_hz(sensor.indicated_pulses, sensor.indicated_hz, self.scenario.duration_s()))
        };
        let holds = |hz: Option<f64>| hz.is_some_and(|hz| same(hz, expected_hz));
        holds(recorded) && [1.0 - CHANGE, 1.0 + CHANGE].into_iter().all(|factor| holds(with(factor)))
    }

    /// The sensor's own signal as the same instrument records it.
    pub(crate) fn without_coupling(&self) -> Option<sixpulse::Trace> {
        let (capture, _) = simulate(&self.coupled(0.0)).ok()?;
        let sensor = capture.by_role(Role::SpeedSensor).or_else(|| capture.by_role(Role::EdgeSensor))?;
        Some(sensor.1.clone())
    }

    fn counted_on(&self, capture: &Capture) -> Option<f64> {
        let (_, trace) = capture.by_role(Role::SpeedSensor).or_else(|| capture.by_role(Role::EdgeSensor))?;
        let conditioner = &self.scenario.sensor.as_ref()?.conditioner;
        let counted = conditioner.count(&trace.to_f64(), trace.sample_rate_hz());
        Some(stated_hz(counted.pulses, counted.frequency_hz(), self.scenario.duration_s()))
    }

    fn coupled(&self, factor: f64) -> Scenario {
        let mut out = self.scenario.clone();
        if let Some(sensor) = &mut out.sensor {
            for path in &mut sensor.paths {
                match path {
                    Path::GainDelay { gain_v_per_v: g, .. }
                    | Path::SupplyFeedThrough { gain_v_per_v: g, .. }
                    | Path::Capacitive { gain_v_per_v: g, .. }
                    | Path::SharedGround { resistance_ohm: g }
                    | Path::Inductive { mutual_h: g, .. } => *g *= factor,
                }
            }
            if let Element::Hall { feed_through_v_per_v, .. } = &mut sensor.element {
                *feed_through_v_per_v *= factor;
            }
        }
        out
    }
}
