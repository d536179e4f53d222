//! Field winding and voltage regulator, advanced once a step: the field's time constant is some ten thousand steps.

use crate::machine::{Alternator, Excitation, Regulator, RegulatorAction, SensePoint};
use crate::model::copper_factor;

/// Forward voltage of the diode through which the field current runs on while the regulator is off, in volts.
const FREEWHEEL_V: f64 = 0.7;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Switch {
    On,
    Off,
}

/// Field current and the regulator's memory.
#[derive(Debug, Clone)]
pub(crate) struct Field {
    pub(crate) current_a: f64,
    regulator: Option<Regulator>,
    ohm: f64,
    henry: f64,
    h: f64,
    /// Share of the way to its final value that the current goes in a step.
    approach: f64,
    filter: f64,
    filtered_v: f64,
    integral: f64,
    duty: f64,
    period: i64,
    switch: Switch,
}

impl Field {
    pub(crate) fn new(alternator: &Alternator, current_a: f64, h: f64) -> Self {
        let mut out = Self {
            current_a,
            regulator: None,
            ohm: 1.0,
            henry: 1.0,
            h,
            approach: 0.0,
            filter: 1.0,
            filtered_v: 0.0,
            integral: 0.0,
            duty: 0.0,
            period: i64::MIN,
            switch: Switch::Off,
        };
        if let Excitation::Regulated { winding, regulator, .. } = &alternator.excitation {
            out.regulator = Some(*regulator);
            out.ohm = winding.resistance_ohm * copper_factor(alternator.temperature_c);
            out.henry = winding.inductance_h;
            out.approach = 1.0 - libm::exp(-h * out.ohm / out.henry);
            out.filter = 1.0 - libm::exp(-h / regulator.filter_s);
            out.filtered_v = regulator.compensated_set_point_v();
            // Duty that keeps the current: on for a share d of the time, R i = d (V + V_diode) - V_diode.
            let hold = (out.ohm * current_a + FREEWHEEL_V) / (out.filtered_v + FREEWHEEL_V);
            out.integral = hold.min(1.0);
        }
        out
    }

    /// True when the current changes over time.
    pub(crate) fn varies(&self) -> bool {
        self.regulator.is_some()
    }

    /// Current taken from the charging post.
    pub(crate) fn drawn_a(&self) -> f64 {
        match self.switch {
            Switch::On => self.current_a,
            Switch::Off => 0.0,
        }
    }

    /// One step, ending at time `t`; `sensed` are the voltages at charging post and battery.
    pub(crate) fn advance(&mut self, t: f64, sensed: [f64; 2]) {
        let Some(regulator) = self.regulator else { return };
        let measured = match regulator.sense {
            SensePoint::ChargingPost => sensed[0],
            SensePoint::BatteryPost => sensed[1],
        };
        let target = match self.switch {
            Switch::On => sensed[0] / self.ohm,
            Switch::Off => -FREEWHEEL_V / self.ohm,
        };
        self.current_a = (self.current_a + self.approach * (target - self.current_a)).max(0.0);
        self.filtered_v += self.filter * (measured - self.filtered_v);
        let error = regulator.compensated_set_point_v() - self.filtered_v;
        match regulator.action {
            RegulatorAction::Hysteretic { band_v } => {
                if error > 0.5 * band_v {
                    self.switch = Switch::On;
                } else if error < -0.5 * band_v {
                    self.switch = Switch::Off;
                }
            }
            RegulatorAction::Pwm { frequency_hz, proportional_per_v, integral_per_vs } => {
                let cycle = libm::floor(t * frequency_hz);
                let wanted = self.integral + proportional_per_v * error;
                // The integral stands still while the duty is at its limit, so that it does not run away.
                if (0.0..=1.0).contains(&wanted) {
                    self.integral += integral_per_vs * error * self.h;
                }
                if cycle as i64 != self.period {
                    self.period = cycle as i64;
                    self.duty = wanted.clamp(0.0, 1.0);
                }
                self.switch = if t * frequency_hz - cycle < self.duty { Switch::On } else { Switch::Off };
            }
        }
    }
}
