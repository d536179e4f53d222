//! The lines of a wheel that turns in the circuit, taken out by the wheel's own angle before the ripple's path is looked
//! for again.
//!
//! A wheel's signal repeats from tooth to tooth, its size changing slowly with speed and run-out: lines at the multiples of
//! the tooth frequency, as wide as the speed changes, and, where teeth are missing, a thicket of lines a turn apart. Where
//! they lie on or beside the ripple's orders spectra cannot tell the two apart; against the wheel's angle they can be told.
//!
//! What is taken out is a linear operator on a record, the same for both traces: each harmonic of the teeth, followed in
//! amplitude over a few teeth, goes, and stretches without teeth are bridged. Ripple beside a line is weakened by as much
//! in one trace as in the other, so that a path between the two stays what it was.

use super::nth::nth;
use super::subtract;
use super::transfer::CrossSpectra;
use crate::normal::Gram;
use crate::trace::{Samples, Trace};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Fewest teeth in a record, and samples in a tooth, with which the angle is followed.
const LEAST_TEETH: f64 = 6.0;
const LEAST_SAMPLES: f64 = 6.0;
/// Longest record that is read by the angle: each sample costs as much as the rest of an assessment.
const LONGEST: usize = 1 << 20;
/// Harmonics of the teeth that are taken out: a coil's pulse has hardly more.
const HARMONICS: usize = 3;
/// Teeth to either side over which the amplitude is followed.
const REACH: usize = 8;
/// Share of the circuit's power that the wheel's line must hold.
const LEAST_SHARE: f64 = 0.05;
/// Bins to either side in which the supply's own line may stand instead.
const BESIDE: usize = 3;
/// Power of a supply's line against its strongest from which a harmonic of the teeth there must be seen to be taken out.
const QUIET: f64 = 1e-3;
/// Size of a tooth against the usual one below which it is missing, and the share of the teeth that may be.
const MISSING: f64 = 0.7;
const MOST_MISSING: f64 = 0.15;
/// Part of a tooth's samples with which its size can be told.
const WHOLE: f64 = 0.8;
/// Part of a tooth beside a gap that is bridged with it.
const BEYOND: f64 = 0.25;
/// Steps towards the angle, and rounds in which the lines are taken out.
const STEPS: usize = 3;
const ROUNDS: usize = 2;
/// Samples within which a wheel's speed is constant: 3 % faster over 2000 samples are 1e-4 of a tooth after 16.
const TURNED_ON: usize = 16;
/// Coefficients of the angle's polynomial, and fewest teeth for all of them.
const TERMS: usize = 4;
const TEETH_FOR_ALL: usize = 12;

/// The angle of a wheel over a record, and which of its teeth are missing.
pub(super) struct Wheel {
    /// Angle in teeth: a polynomial in the place in the record, -1 to 1.
    angle: [f64; TERMS],
    samples: usize,
    /// Tooth in which the record begins.
    first: f64,
    /// Which of the teeth that pass are there.
    present: Vec<bool>,
    /// Which harmonics of the teeth, from the first on, are the circuit's own.
    harmonics: [bool; HARMONICS],
}

/// Values of the harmonics, from the first on.
type Harmonics = [Complex64; HARMONICS];

impl Wheel {
    /// The wheel whose line stands out of the circuit where the supply has none as strong.
    pub(super) fn of(circuit: &Trace, spectra: &CrossSpectra) -> Option<Self> {
        let own = own_power(spectra);
        let tooth_hz = subtract::own_frequency_hz(&own, &[], spectra.bin_hz())?;
        let about = |hz: f64, part: f64, bins: f64| {
            let near = bins + part * hz / spectra.bin_hz();
            let place = hz / spectra.bin_hz();
            (place - near).ceil().max(0.0) as usize..=(place + near).max(0.0) as usize
        };
        let sum = |power: &[f64]| power.iter().sum::<f64>();
        let line = about(tooth_hz, 0.02, 3.0).filter_map(|k| own.get(k)).sum::<f64>();
        if line < LEAST_SHARE * sum(spectra.circuit_power().get(3..).unwrap_or_default()) {
            return None;
        }
        let supply = spectra.supply_power();
        let strongest = supply.iter().skip(3).copied().fold(0.0, f64::max);
        let is_own = |harmonic: usize| {
            let mut bins = about(harmonic as f64 * tooth_hz, 0.01, 2.0);
            let supply_here = bins.clone().filter_map(|k| supply.get(k)).copied().fold(0.0, f64::max);
            harmonic == 1 || supply_here < QUIET * strongest || bins.any(|k| own.get(k).is_some_and(|p| *p > 0.0))
        };
        Self::followed(circuit, tooth_hz, is_own)
    }

    /// Follows the teeth that pass at about `tooth_hz`; `None` where there are too few of them or of samples in one.
    fn followed(circuit: &Trace, tooth_hz: f64, is_own: impl Fn(usize) -> bool) -> Option<Self> {
        let samples = circuit.len();
        let in_tooth = circuit.sample_rate_hz() / tooth_hz;
        let teeth = samples as f64 / in_tooth;
        if teeth < LEAST_TEETH || in_tooth < LEAST_SAMPLES || samples > LONGEST {
            return None;
        }
        let below_nyquist = |harmonic: usize| (harmonic as f64) < 0.45 * in_tooth;
        let harmonics = std::array::from_fn(|h| below_nyquist(h + 1) && is_own(h + 1));
        let angle = [0.0, 0.5 * teeth, 0.0, 0.0];
        let mut wheel = Self { angle, samples, first: 0.0, present: Vec::new(), harmonics };
        wheel.count();
        let values = levelled(circuit);
        for _ in 0..STEPS {
            wheel.step(&values)?;
        }
        wheel.find_missing(&values);
        Some(wheel)
    }

    fn angle_at(&self, place: f64) -> f64 {
        self.angle.iter().rev().fold(0.0, |sum, c| sum * place + c)
    }

    /// Calls `visit(sample, tooth, part of it, turn)` for all samples; `turn` is the angle as a point of the unit circle. A few
    /// points are computed, those between by turning on: within [`TURNED_ON`] samples the speed is constant.
    fn for_each(&self, mut visit: impl FnMut(usize, usize, f64, Complex64)) {
        let step = 2.0 / self.samples as f64;
        let place = |i: usize| i as f64 * step - 1.0;
        for from in (0..self.samples).step_by(TURNED_ON) {
            let count = TURNED_ON.min(self.samples - from);
            let first = self.angle_at(place(from));
            let each = (self.angle_at(place(from + count)) - first) / count as f64;
            let (mut turn, by) = (Complex64::cis(TAU * first), Complex64::cis(TAU * each));
            for i in 0..count {
                let within = (first + each * i as f64 - self.first).max(0.0);
                let tooth = (within as usize).min(self.present.len() - 1);
                visit(from + i, tooth, within - tooth as f64, turn);
                turn *= by;
            }
        }
    }

    /// Place in the record at which an angle is reached.
    fn place_of(&self, angle: f64) -> f64 {
        let [_, b, c, d] = self.angle;
        let mut place = (angle - self.angle[0]) / b;
        for _ in 0..4 {
            place -= (self.angle_at(place) - angle) / (b + place * (2.0 * c + 3.0 * place * d));
        }
        if place.is_finite() { place.clamp(-1.0, 1.0) } else { 0.0 }
    }

    fn count(&mut self) {
        self.first = self.angle_at(-1.0).floor();
        let teeth = (self.angle_at(1.0) - self.first).ceil().max(1.0) as usize;
        self.present = vec![true; teeth.min(self.samples)];
    }

    /// Sums of the values against the harmonics, tooth by tooth, and the samples of each tooth.
    fn sums(&self, values: &[f64]) -> (Vec<Harmonics>, Vec<f64>) {
        let mut sums = vec![Harmonics::default(); self.present.len()];
        let mut counts = vec![0.0; self.present.len()];
        self.for_each(|i, tooth, _, turn| {
            counts[tooth] += 1.0;
            let back = turn.conj();
            let mut power = back * values[i];
            for sum in &mut sums[tooth] {
                *sum += power;
                power *= back;
            }
        });
        (sums, counts)
    }

    /// One step of the angle towards the phase of the teeth.
    fn step(&mut self, values: &[f64]) -> Option<()> {
        let (sums, counts) = self.sums(values);
        let smooth = smoothed(&sums, &counts, (self.present.len() / 6).clamp(1, 6));
        let mut phase = 0.0;
        let mut before = Complex64::new(1.0, 0.0);
        let mut rows = Vec::with_capacity(smooth.len());
        for (k, ([a, ..], count)) in smooth.iter().zip(&counts).enumerate() {
            phase += (a * before.conj()).arg();
            before = *a;
            rows.push((self.place_of(self.first + k as f64 + 0.5), phase / TAU, a.norm_sqr() * count));
        }
        let terms = if self.present.len() >= TEETH_FOR_ALL { TERMS } else { TERMS - 1 };
        let step = polynomial(&rows, terms)?;
        self.angle.iter_mut().zip(step).for_each(|(c, s)| *c += s);
        // A wheel does not turn round within a record.
        let [_, b, c, d] = self.angle;
        let forward = b > 2.0 * c.abs() + 3.0 * d.abs();
        forward.then(|| self.count())
    }

    /// Teeth much smaller than the usual one; where many are, the circuit's other signals move them.
    fn find_missing(&mut self, values: &[f64]) {
        let (sums, counts) = self.sums(values);
        let fullest = counts.iter().copied().fold(0.0, f64::max);
        let whole = |count: f64| count > WHOLE * fullest;
        let sizes: Vec<f64> = sums.iter().zip(&counts).map(|(s, c)| s[0].re / c.max(1.0)).collect();
        let usual: Vec<f64> = sizes.iter().zip(&counts).filter(|(_, c)| whole(**c)).map(|(s, _)| *s).collect();
        let usual = if usual.is_empty() { 0.0 } else { nth(&usual, usual.len() / 2) };
        let present: Vec<bool> = sizes.iter().zip(&counts).map(|(s, c)| !(whole(*c) && *s < MISSING * usual)).collect();
        let missing = present.iter().filter(|p| !**p).count() as f64;
        // Two more: a gap of two teeth in less than a turn.
        if missing <= MOST_MISSING * present.len() as f64 + 2.0 {
            self.present = present;
        }
    }

    /// The traces without the wheel's lines, without their level, gaps bridged; `None` where they differ in length.
    pub(super) fn taken_out(&self, traces: [&Trace; 2]) -> Option<[Trace; 2]> {
        if traces.iter().any(|t| t.len() != self.samples) {
            return None;
        }
        let [a, b] = traces.map(|t| self.without(t));
        Some([a?, b?])
    }

    fn without(&self, trace: &Trace) -> Option<Trace> {
        let mut values = levelled(trace);
        for _ in 0..ROUNDS {
            self.take_out(&mut values);
        }
        super::levels::bridge_all(&mut values, &self.gaps(), trace.sample_rate_hz());
        let out = Trace::from_f64(values, trace.sample_rate_hz(), trace.coupling(), trace.role()).ok()?;
        match trace.coupling_corner_hz() {
            Some(hz) => out.with_coupling_corner_hz(hz).ok(),
            None => Some(out),
        }
    }

    /// Takes the own harmonics of the teeth out, their amplitudes on straight lines from tooth to tooth.
    fn take_out(&self, values: &mut [f64]) {
        let (mut sums, mut counts) = self.sums(values);
        counts.iter_mut().zip(&self.present).filter(|(_, present)| !**present).for_each(|(c, _)| *c = 0.0);
        for sum in &mut sums {
            sum.iter_mut().zip(self.harmonics).filter(|(_, own)| !own).for_each(|(s, _)| *s = Complex64::default());
        }
        let lines = smoothed(&sums, &counts, REACH);
        let last = self.present.len() - 1;
        self.for_each(|i, tooth, part, turn| {
            // An amplitude is that of a tooth's middle.
            let from = if part < 0.5 { tooth.saturating_sub(1) } else { tooth }.min(last.saturating_sub(1));
            let part = tooth as f64 + part - 0.5 - from as f64;
            let mut power = turn;
            for (a, b) in lines[from].iter().zip(&lines[(from + 1).min(last)]) {
                values[i] -= 2.0 * ((a + (b - a) * part) * power).re;
                power *= turn;
            }
        });
    }

    /// First sample and end of each stretch without teeth.
    fn gaps(&self) -> Vec<(usize, usize)> {
        let sample = |angle: f64| {
            let at = 0.5 * (self.place_of(angle) + 1.0) * self.samples as f64;
            (at as usize).min(self.samples - 1)
        };
        let mut out = Vec::new();
        let mut from = self.first;
        for same in self.present.chunk_by(|a, b| a == b) {
            let to = from + same.len() as f64;
            if same.first() == Some(&false) {
                out.push((sample(from - BEYOND), sample(to + BEYOND)));
            }
            from = to;
        }
        out
    }
}

/// Power of the circuit where it is more than the supply's, V^2 a bin: no passive path amplifies.
fn own_power(spectra: &CrossSpectra) -> Vec<f64> {
    let mut own = spectra.circuit_power().to_vec();
    let supply = spectra.supply_power();
    for (k, power) in own.iter_mut().enumerate() {
        let beside = &supply[k.saturating_sub(BESIDE)..(k + BESIDE + 1).min(supply.len())];
        if *power < beside.iter().copied().fold(0.0, f64::max) {
            *power = 0.0;
        }
    }
    own
}

/// The values of a trace without their mean.
fn levelled(trace: &Trace) -> Vec<f64> {
    let mut values = trace.to_f64();
    let mean = values.iter().sum::<f64>() / values.len().max(1) as f64;
    values.iter_mut().for_each(|v| *v -= mean);
    values
}

/// Amplitudes, tooth by tooth, from sums and the samples that went into them: each on the straight line through those within
/// `reach` teeth, the near ones counting more.
fn smoothed(sums: &[Harmonics], counts: &[f64], reach: usize) -> Vec<Harmonics> {
    let at = |k: usize| {
        let (mut w, mut y) = ([0.0; 3], [Harmonics::default(); 2]);
        let from = k.saturating_sub(reach);
        let near = sums.iter().zip(counts).enumerate().skip(from).take(k + reach + 1 - from);
        for (j, (sum, count)) in near.filter(|(_, (_, count))| **count > 0.0) {
            let d = j as f64 - k as f64;
            let weight = 1.0 - (d / (reach + 1) as f64).powi(2);
            w[0] += weight * count;
            w[1] += weight * count * d;
            w[2] += weight * count * d * d;
            for (h, s) in sum.iter().enumerate() {
                y[0][h] += weight * s;
                y[1][h] += weight * d * s;
            }
        }
        let determinant = w[0] * w[2] - w[1] * w[1];
        let straight = determinant > 1e-9 * w[0] * w[2];
        std::array::from_fn(|h| match straight {
            true => (y[0][h] * w[2] - y[1][h] * w[1]) / determinant,
            false => y[0][h] / w[0].max(f64::MIN_POSITIVE),
        })
    };
    (0..sums.len()).map(at).collect()
}

/// Polynomial of so many terms through `(place, value, weight)` by weighted least squares; `None` where they do not fix it.
fn polynomial(rows: &[(f64, f64, f64)], terms: usize) -> Option<[f64; TERMS]> {
    let mut gram = Gram::new(terms + 1);
    for &(x, y, weight) in rows {
        let mut row: [f64; TERMS + 1] = std::array::from_fn(|i| x.powi(i as i32));
        row[terms] = y;
        gram.add(&row[..=terms], weight);
    }
    let mut out = [0.0; TERMS];
    out[..terms].copy_from_slice(&gram.explain_last().ok()?);
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Coupling, Role};

    const RATE: f64 = 50_000.0;

    fn trace(at: impl Fn(f64) -> f64) -> Trace {
        let values = (0..10_000).map(|i| at(f64::from(i) / RATE)).collect();
        Trace::from_f64(values, RATE, Coupling::Dc, Role::SpeedSensor).unwrap()
    }

    /// 520 places a second, 3 % faster at the end than at the start, 35 teeth and a gap, run-out of 8 %.
    fn wheel(t: f64) -> f64 {
        let place = 512.2 * t + 39.0 * t * t + 3.3;
        let turn = place / 36.0;
        let there = if place as usize % 36 == 20 { 0.0 } else { 1.0 };
        2.0 * there * (1.0 + 0.08 * (TAU * turn).cos()) * (TAU * place).sin()
    }

    /// Orders of 183 Hz, and noise.
    fn supply(t: f64) -> f64 {
        [(2.0, 0.6), (4.0, 0.1), (6.0, 0.05)].iter().map(|(n, a)| a * (n * TAU * 183.0 * t + n).cos()).sum()
    }

    fn rms(trace: &Trace) -> f64 {
        let v = levelled(trace);
        (v.iter().map(|v| v * v).sum::<f64>() / v.len() as f64).sqrt()
    }

    #[test]
    fn a_wheel_with_a_gap_goes_and_leaves_little() {
        let (circuit, post) = (trace(wheel), trace(supply));
        let found = Wheel::of(&circuit, &CrossSpectra::new(&post, &circuit)).unwrap();
        assert_eq!(found.gaps().len(), 3, "at places 20, 56 and 92");
        let [left, _] = found.taken_out([&circuit, &post]).unwrap();
        // 1.4 V r.m.s. go; run-out, whose size changes by 1.4 % of it from tooth to tooth, and the gaps' edges stay.
        assert!(rms(&left) < 0.05 * rms(&circuit), "{} of {}", rms(&left), rms(&circuit));
        let shorter = Trace::from_f64(levelled(&post)[1..].to_vec(), RATE, Coupling::Dc, Role::ChargingPost).unwrap();
        assert!(found.taken_out([&circuit, &shorter]).is_none());
    }

    #[test]
    fn a_path_between_the_traces_stays_what_it_was() {
        let post = trace(supply);
        let circuit = trace(|t| wheel(t) + 0.3 * supply(t - 40e-6));
        let found = Wheel::of(&circuit, &CrossSpectra::new(&post, &circuit)).unwrap();
        let [y, x] = found.taken_out([&circuit, &post]).unwrap();
        let setting = crate::contamination::Setting::new(Some(183.0), 0.0, 0.0);
        let fit = crate::contamination::transfer::fit(&CrossSpectra::new(&x, &y), &x, &y, &setting).unwrap();
        // Up to 5 % of the wheel's 1.4 V are left, spread over the band about 127 mV of order 2: the 3 % that are stated for
        // a gain, and as much of a radian of order 2 (13 us).
        assert!((fit.model.gain / 0.3 - 1.0).abs() < 0.03, "{:?}", fit.model);
        assert!((fit.model.delay_s - 40e-6).abs() < 13e-6, "{:?}", fit.model);
    }

    #[test]
    fn ripple_is_no_wheel() {
        let (circuit, post) = (trace(|t| 0.9 * supply(t)), trace(supply));
        assert!(Wheel::of(&circuit, &CrossSpectra::new(&post, &circuit)).is_none());
    }

    #[test]
    fn a_straight_line_through_the_teeth_is_kept() {
        let counts = [20.0; 30];
        let line = |k: usize| Complex64::new(1.0 + 0.1 * k as f64, -0.02 * k as f64);
        let sums: Vec<Harmonics> = (0..30).map(|k| [20.0 * line(k); HARMONICS]).collect();
        for (k, [a, ..]) in smoothed(&sums, &counts, REACH).iter().enumerate() {
            assert!((a - line(k)).norm() < 1e-12, "{k}");
        }
        let rows: Vec<(f64, f64, f64)> =
            (0..9).map(|i| f64::from(i) / 4.0 - 1.0).map(|x| (x, 2.0 - x.powi(3), 1.0)).collect();
        let found = polynomial(&rows, TERMS).unwrap();
        assert!(found.iter().zip([2.0, 0.0, 0.0, -1.0]).all(|(a, b)| (a - b).abs() < 1e-9), "{found:?}");
        assert!(polynomial(&rows[..3], TERMS).is_none());
    }
}
