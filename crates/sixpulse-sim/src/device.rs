//! One bridge branch as the solver sees it: a straight line in each conduction state plus a slowly varying rest.

use crate::bridge::{DiodeCondition, DiodeModel};

/// Thermal voltage at 27 degrees Celsius (300.15 K), in volts: the temperature at which model cards are given.
pub(crate) const THERMAL_V: f64 = 0.025_864_92;
/// Below this current an exponential diode follows its tangent down to no current, in amperes.
pub(crate) const CUTOFF_A: f64 = 1.0e-3;
/// Current at which the straight line touches the exponential law, in amperes.
const REFERENCE_A: f64 = 10.0;

/// Conduction state of a branch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Conduction {
    Off,
    On,
    Avalanche,
    /// Interrupted: carries nothing and never changes by itself.
    Open,
}

/// Law of the conducting branch besides its straight line.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Law {
    /// The straight line is everything.
    Straight,
    /// Shockley junction with `n V_T`, `IS` and `ln IS` behind `series` ohm, a leak of `leak` siemens across both.
    Junction { n_vt: f64, saturation: f64, ln_saturation: f64, series: f64, leak: f64 },
}

/// A branch from anode to cathode. Conducting: `v = offset + slope i + rest(i)`; in avalanche the same with reversed
/// signs and its own numbers; blocking: `i = leak v`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Device {
    pub(crate) on_offset: f64,
    pub(crate) on_slope: f64,
    /// Forward voltage above which it starts to conduct.
    pub(crate) on_above_v: f64,
    /// Forward current below which it stops.
    pub(crate) off_below_a: f64,
    pub(crate) leak: f64,
    pub(crate) avalanche_offset: f64,
    pub(crate) avalanche_slope: f64,
    /// Reverse voltage above which it breaks down; infinite where it never does.
    pub(crate) avalanche_above_v: f64,
    /// A plain resistance: always on.
    pub(crate) resistor: bool,
    on_law: Law,
    avalanche_law: Law,
}

impl Device {
    pub(crate) fn new(model: &DiodeModel, condition: &DiodeCondition) -> Self {
        let (mut joint, mut leak) = (0.0, 0.0);
        match condition {
            DiodeCondition::Shorted { ohm } => return Self::resistor(*ohm),
            DiodeCondition::ResistiveJoint { ohm } => joint = *ohm,
            DiodeCondition::Leaking { ohm } => leak = 1.0 / ohm,
            _ => {}
        }
        match *model {
            DiodeModel::PiecewiseLinear { forward_v, slope_ohm, breakdown_v, breakdown_slope_ohm } => {
                Self::straight(forward_v, slope_ohm + joint, leak, breakdown_v, breakdown_slope_ohm + joint)
            }
            DiodeModel::Exponential { saturation_a, emission, series_ohm, breakdown_v } => {
                Self::junction(saturation_a, emission * THERMAL_V, series_ohm + joint, leak, breakdown_v)
            }
        }
    }

    fn resistor(ohm: f64) -> Self {
        Self { resistor: true, ..Self::straight(0.0, ohm, 0.0, None, 1.0) }
    }

    fn straight(forward: f64, slope: f64, leak: f64, breakdown: Option<f64>, breakdown_slope: f64) -> Self {
        let (on_offset, on_slope) = across_leak(forward, slope, leak);
        let reverse = breakdown.unwrap_or(f64::INFINITY);
        let (avalanche_offset, avalanche_slope) = across_leak(breakdown.unwrap_or(0.0), breakdown_slope, leak);
        Self {
            on_offset,
            on_slope,
            on_above_v: forward,
            off_below_a: leak * forward,
            leak,
            avalanche_offset,
            avalanche_slope,
            avalanche_above_v: reverse,
            resistor: false,
            on_law: Law::Straight,
            avalanche_law: Law::Straight,
        }
    }

    fn junction(saturation: f64, n_vt: f64, series: f64, leak: f64, breakdown: Option<f64>) -> Self {
        let on_law = Law::Junction { n_vt, saturation, ln_saturation: libm::log(saturation), series, leak };
        // In breakdown v = BV + n V_T ln(i / 1 mA): Shockley's law with a saturation current too small for a float.
        let ln_saturation = libm::log(CUTOFF_A) - breakdown.unwrap_or(0.0) / n_vt;
        let avalanche_law = Law::Junction { n_vt, saturation: 0.0, ln_saturation, series, leak };
        let slope = 1.0 / (leak + 1.0 / (series + n_vt / REFERENCE_A));
        let touch = |law: &Law| {
            let v = law.junction_voltage(REFERENCE_A);
            v - slope * (REFERENCE_A + leak * v)
        };
        let start = on_law.threshold();
        Self {
            on_offset: touch(&on_law),
            on_slope: slope,
            on_above_v: start,
            off_below_a: leak * start,
            leak,
            avalanche_offset: touch(&avalanche_law),
            avalanche_slope: slope,
            avalanche_above_v: breakdown.map_or(f64::INFINITY, |_| avalanche_law.threshold()),
            resistor: false,
            on_law,
            avalanche_law,
        }
    }

    /// True when the straight line is not everything in that state.
    pub(crate) fn bends(&self, state: Conduction) -> bool {
        match state {
            Conduction::On => self.on_law != Law::Straight,
            Conduction::Avalanche => self.avalanche_law != Law::Straight,
            _ => false,
        }
    }

    /// Voltage of the law less that of the straight line at branch current `i` (counted in the conducting direction),
    /// and its derivative.
    pub(crate) fn rest(&self, state: Conduction, i: f64) -> (f64, f64) {
        let (law, offset, slope) = match state {
            Conduction::Avalanche => (&self.avalanche_law, self.avalanche_offset, self.avalanche_slope),
            _ => (&self.on_law, self.on_offset, self.on_slope),
        };
        let Law::Junction { .. } = law else { return (0.0, 0.0) };
        let least = law.least_current();
        // Below the cut-off current the law goes on along its tangent: still concave, so that Newton's method converges.
        let (v, dv) = law.voltage(i.max(least));
        (v + dv * (i - least).min(0.0) - offset - slope * i, dv - slope)
    }

    /// Offset and slope of the straight line in a conducting state, the offset as a forward voltage.
    pub(crate) fn line(&self, state: Conduction) -> (f64, f64) {
        match state {
            Conduction::Avalanche => (-self.avalanche_offset, self.avalanche_slope),
            _ => (self.on_offset, self.on_slope),
        }
    }
}

/// Offset and slope of a straight branch with a leak across it.
fn across_leak(offset: f64, slope: f64, leak: f64) -> (f64, f64) {
    let g = 1.0 / slope + leak;
    (offset / slope / g, 1.0 / g)
}

impl Law {
    /// Voltage across junction and series resistance at junction current `i`.
    fn junction_voltage(&self, i: f64) -> f64 {
        match *self {
            Self::Straight => 0.0,
            Self::Junction { n_vt, saturation, ln_saturation, series, .. } => {
                n_vt * (libm::log(i + saturation) - ln_saturation) + series * i
            }
        }
    }

    /// Voltage at which the tangent at the cut-off current reaches no current.
    fn threshold(&self) -> f64 {
        match *self {
            Self::Straight => 0.0,
            Self::Junction { n_vt, series, .. } => self.junction_voltage(CUTOFF_A) - n_vt - series * CUTOFF_A,
        }
    }

    /// Branch current at which the junction carries the cut-off current.
    fn least_current(&self) -> f64 {
        match *self {
            Self::Straight => 0.0,
            Self::Junction { leak: 0.0, .. } => CUTOFF_A,
            Self::Junction { leak, .. } => CUTOFF_A + leak * self.junction_voltage(CUTOFF_A),
        }
    }

    /// Branch voltage at branch current `total` (at least the least current), and its derivative.
    fn voltage(&self, total: f64) -> (f64, f64) {
        let Self::Junction { n_vt, series, leak, .. } = *self else { return (0.0, 0.0) };
        if leak == 0.0 {
            return (self.junction_voltage(total), n_vt / total + series);
        }
        // The junction current solves i + leak v(i) = total; v is concave in ln i, so Newton from above converges.
        let mut i = total;
        for _ in 0..40 {
            let f = i + leak * self.junction_voltage(i) - total;
            let next = (i - f / (1.0 + leak * (n_vt / i + series))).max(0.1 * i);
            let change = (next - i).abs();
            i = next;
            if change <= 1e-13 * i {
                break;
            }
        }
        let dv = n_vt / i + series;
        (self.junction_voltage(i), dv / (1.0 + leak * dv))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MODEL: DiodeModel =
        DiodeModel::Exponential { saturation_a: 1e-9, emission: 1.2, series_ohm: 1.8e-3, breakdown_v: Some(26.0) };

    #[test]
    fn line_plus_rest_is_shockleys_law() {
        let d = Device::new(&MODEL, &DiodeCondition::Sound);
        for i in [0.002, 0.1, 5.0, 40.0] {
            let (offset, slope) = d.line(Conduction::On);
            let v = offset + slope * i + d.rest(Conduction::On, i).0;
            let junction = v - 1.8e-3 * i;
            let back = 1e-9 * ((junction / (1.2 * THERMAL_V)).exp() - 1.0);
            assert!((back / i - 1.0).abs() < 1e-9, "{i}: {back}");
        }
    }

    #[test]
    fn leak_is_in_parallel() {
        let d = Device::new(&MODEL, &DiodeCondition::Leaking { ohm: 2.0 });
        for total in [0.3, 1.0, 20.0] {
            let (offset, slope) = d.line(Conduction::On);
            let v = offset + slope * total + d.rest(Conduction::On, total).0;
            let i = total - v / 2.0;
            let junction = v - 1.8e-3 * i;
            let back = 1e-9 * ((junction / (1.2 * THERMAL_V)).exp() - 1.0);
            assert!((back / i - 1.0).abs() < 1e-8, "{total}: {back} {i}");
        }
    }

    #[test]
    fn the_law_starts_where_blocking_ends() {
        for condition in [DiodeCondition::Sound, DiodeCondition::Leaking { ohm: 1.0 }] {
            let d = Device::new(&MODEL, &condition);
            let (offset, slope) = d.line(Conduction::On);
            let v = offset + slope * d.off_below_a + d.rest(Conduction::On, d.off_below_a).0;
            assert!((v - d.on_above_v).abs() < 1e-12, "{condition:?}: {v} {}", d.on_above_v);
        }
    }

    #[test]
    fn breakdown_carries_a_milliampere_at_the_breakdown_voltage() {
        let d = Device::new(&MODEL, &DiodeCondition::Sound);
        // Starts n V_T below the breakdown voltage: the tangent there.
        assert!((d.avalanche_above_v - (26.0 - 1.2 * THERMAL_V)).abs() < 1e-9);
        let (offset, slope) = d.line(Conduction::Avalanche);
        let v = -offset + slope * 1.0 + d.rest(Conduction::Avalanche, 1.0).0;
        assert!((v - (26.0 + 1.2 * THERMAL_V * 1000.0_f64.ln() + 1.8e-3)).abs() < 1e-3, "{v}");
    }
}
