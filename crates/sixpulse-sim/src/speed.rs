//! Shaft angle and speed over time in closed form: no integration error accumulates in the electrical angle.

use crate::machine::{Drive, FiringIrregularity, SpeedProfile};
use std::f64::consts::{PI, TAU};

/// Angle in radians and angular frequency in radians per second.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Rotation {
    pub(crate) angle: f64,
    pub(crate) omega: f64,
}

const RPM: f64 = TAU / 60.0;

impl SpeedProfile {
    /// Mean crank rotation at `t` seconds; the angle is 0 at time 0.
    pub(crate) fn rotation(&self, t: f64) -> Rotation {
        match self {
            Self::Steady { rpm } => Rotation { angle: rpm * RPM * t, omega: rpm * RPM },
            Self::Ramp { from_rpm, to_rpm, start_s, duration_s } => {
                let (time, rpm) = ([*start_s, start_s + duration_s], [*from_rpm, *to_rpm]);
                piecewise(&time, &rpm, t)
            }
            Self::Piecewise { time_s, rpm } => piecewise(time_s, rpm, t),
            Self::Snap { idle_rpm, peak_rpm, start_s, rise_s, open_s, fall_s } => {
                let (idle, step) = (idle_rpm * RPM, (peak_rpm - idle_rpm) * RPM);
                let tau = t - start_s;
                if tau <= 0.0 {
                    return Rotation { angle: idle * t, omega: idle };
                }
                let open = tau.min(*open_s);
                let reached = step * (1.0 - libm::exp(-open / rise_s));
                let mut angle = idle * t + step * open - reached * rise_s;
                let mut omega = idle + reached;
                if tau > *open_s {
                    let left = libm::exp(-(tau - open_s) / fall_s);
                    angle += reached * fall_s * (1.0 - left);
                    omega = idle + reached * left;
                }
                Rotation { angle, omega }
            }
        }
    }

    /// Greatest mean speed of the profile in 1/min.
    pub(crate) fn greatest_rpm(&self) -> f64 {
        match self {
            Self::Steady { rpm } => *rpm,
            Self::Ramp { from_rpm, to_rpm, .. } => from_rpm.max(*to_rpm),
            Self::Snap { idle_rpm, peak_rpm, .. } => idle_rpm.max(*peak_rpm),
            Self::Piecewise { rpm, .. } => rpm.iter().fold(0.0, |a, b| f64::max(a, *b)),
        }
    }
}

/// Angle since the first point of a piecewise-linear speed, shifted so that the angle at time 0 is 0.
fn piecewise(time: &[f64], rpm: &[f64], t: f64) -> Rotation {
    let at = |t: f64| -> Rotation {
        let (Some(&t0), Some(&r0)) = (time.first(), rpm.first()) else {
            return Rotation { angle: 0.0, omega: 0.0 };
        };
        if t <= t0 {
            return Rotation { angle: r0 * RPM * (t - t0), omega: r0 * RPM };
        }
        let mut angle = 0.0;
        for (ts, rs) in time.windows(2).zip(rpm.windows(2)) {
            let length = ts[1] - ts[0];
            let part = (t - ts[0]).clamp(0.0, length);
            let now = rs[0] + (rs[1] - rs[0]) * part / length;
            angle += 0.5 * (rs[0] + now) * RPM * part;
            if t <= ts[1] {
                return Rotation { angle, omega: now * RPM };
            }
        }
        let last = time.len() - 1;
        Rotation { angle: angle + rpm[last] * RPM * (t - time[last]), omega: rpm[last] * RPM }
    };
    let here = at(t);
    Rotation { angle: here.angle - at(0.0).angle, omega: here.omega }
}

impl FiringIrregularity {
    /// Crank rotation with the irregularity laid over the mean rotation.
    fn apply(&self, mean: Rotation) -> Rotation {
        let firing = f64::from(self.cylinders) / 2.0;
        let mut out = mean;
        for h in &self.harmonics {
            let order = h.multiple * firing;
            let (sin, cos) = libm::sincos(order * mean.angle + h.phase_rad);
            out.angle += h.ratio / order * (sin - libm::sin(h.phase_rad));
            out.omega += mean.omega * h.ratio * cos;
        }
        out
    }
}

impl Drive {
    /// Crank rotation at `t` seconds, irregularity included.
    pub(crate) fn crank(&self, t: f64) -> Rotation {
        let mean = self.engine.rotation(t);
        match &self.irregularity {
            Some(i) => i.apply(mean),
            None => mean,
        }
    }

    /// Electrical rotation at `t` seconds.
    pub(crate) fn electrical(&self, pole_pairs: u32, t: f64) -> Rotation {
        let factor = f64::from(pole_pairs) * self.belt_ratio * (1.0 - self.slip);
        let crank = self.crank(t);
        Rotation { angle: self.initial_angle_rad + factor * crank.angle, omega: factor * crank.omega }
    }

    /// Upper bound of the electrical frequency in hertz.
    pub(crate) fn greatest_electrical_hz(&self, pole_pairs: u32) -> f64 {
        let excess: f64 = self.irregularity.iter().flat_map(|i| &i.harmonics).map(|h| h.ratio.abs()).sum();
        f64::from(pole_pairs) * self.belt_ratio * self.engine.greatest_rpm() * RPM / (2.0 * PI) * (1.0 + excess)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::machine::FiringHarmonic;

    /// The angle must be the integral of the speed: trapezoid with 1e5 steps, whose own error is below 1e-6 rad here.
    fn angle_is_integral(drive: &Drive, until: f64) {
        let n = 100_000;
        let dt = until / f64::from(n);
        let mut angle = drive.electrical(6, 0.0).angle;
        for i in 0..n {
            let (a, b) = (f64::from(i) * dt, f64::from(i + 1) * dt);
            angle += 0.5 * dt * (drive.electrical(6, a).omega + drive.electrical(6, b).omega);
        }
        let closed = drive.electrical(6, until).angle;
        assert!((closed - angle).abs() < 1e-5 * closed.abs(), "{closed} against {angle}");
    }

    fn drive(engine: SpeedProfile) -> Drive {
        Drive { engine, irregularity: None, belt_ratio: 2.7, slip: 0.02, initial_angle_rad: 0.3 }
    }

    #[test]
    fn every_profile_integrates_to_its_angle() {
        angle_is_integral(&drive(SpeedProfile::Steady { rpm: 700.0 }), 0.5);
        angle_is_integral(
            &drive(SpeedProfile::Ramp { from_rpm: 700.0, to_rpm: 2500.0, start_s: -0.1, duration_s: 0.4 }),
            0.5,
        );
        angle_is_integral(
            &drive(SpeedProfile::Snap {
                idle_rpm: 750.0,
                peak_rpm: 4000.0,
                start_s: 0.1,
                rise_s: 0.2,
                open_s: 0.3,
                fall_s: 0.5,
            }),
            0.9,
        );
        angle_is_integral(
            &drive(SpeedProfile::Piecewise { time_s: vec![-0.2, 0.1, 0.3], rpm: vec![700.0, 900.0, 800.0] }),
            0.5,
        );
        let mut idle = drive(SpeedProfile::Steady { rpm: 700.0 });
        idle.irregularity = Some(FiringIrregularity {
            cylinders: 4,
            harmonics: vec![
                FiringHarmonic { multiple: 1.0, ratio: 0.05, phase_rad: 0.4 },
                FiringHarmonic { multiple: 2.0, ratio: 0.02, phase_rad: -1.0 },
            ],
        });
        angle_is_integral(&idle, 0.5);
    }

    #[test]
    fn electrical_frequency_follows_ratio_and_pole_pairs() {
        let mut d = drive(SpeedProfile::Steady { rpm: 700.0 });
        d.slip = 0.0;
        // 700 / 60 x 2.7 x 6 = 189 Hz (REFERENCE-VALUES E3).
        assert!((d.electrical(6, 0.1).omega / TAU - 189.0).abs() < 1e-9);
    }
}
