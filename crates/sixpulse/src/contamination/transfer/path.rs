//! How the ripple travels, and the response of a path with its gain, delay and coupling.

use crate::vectors::LANES;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Delays searched, seconds: a wire does not lead its source by more than the skew of two channels, and no filter in a
/// sensor circuit that still lets ripple through lags by more than the upper end.
pub const DELAY_RANGE_S: (f64, f64) = (-100e-6, 500e-6);

/// How the ripple travels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
#[non_exhaustive]
pub enum Path {
    /// The same waveform, later: `g exp(-i w d)`.
    Delay,
    /// The same waveform, later, its values taken between two samples on a straight line, as channels are that were
    /// aligned after sampling: `g ((1 - a) + a exp(-i w T)) exp(-i w m T)`, `d = (m + a) T`, `T` the sample interval.
    InterpolatedDelay,
    /// Through a first-order low-pass: `g / (1 + i w d)`, `d` the time constant. A return that the circuit shares with
    /// the charging current, or a supply filter.
    FirstOrderLag,
    /// Through a first-order high-pass: `g i w d / (1 + i w d)`, `d` the time constant, `g` the gain well above the
    /// corner. Stray capacitance, or mutual inductance with the charging cable: both rise with frequency.
    FirstOrderHighPass,
    /// Through two first-order low-passes: `g / ((1 + i w d) (1 + i w e))`, `d` the longer time constant. A supply filter
    /// behind a charging cable whose inductance and battery are a low-pass themselves.
    SecondOrderLag,
    /// Through a first-order high-pass and a first-order low-pass: `g i w (d + e) / ((1 + i w d) (1 + i w e))`, `d` the
    /// longer of their time constants, `g` the largest gain, at `w = 1 / sqrt(d e)`. What rises with frequency, into a
    /// line with a corner.
    BandPass,
}

crate::trace::words!(Path, "path", "delay" => Path::Delay, "interpolated_delay" => Path::InterpolatedDelay,
    "first_order_lag" => Path::FirstOrderLag, "first_order_high_pass" => Path::FirstOrderHighPass,
    "second_order_lag" => Path::SecondOrderLag, "band_pass" => Path::BandPass);

impl Path {
    /// The path's response at angular frequency `w` (rad/s) for gain 1; of a second low-pass apart.
    fn response(self, w: f64, delay_s: f64, interval_s: f64) -> Complex64 {
        match self {
            Self::Delay => Complex64::cis(-w * delay_s),
            Self::InterpolatedDelay => {
                let whole = (delay_s / interval_s).floor();
                let part = delay_s / interval_s - whole;
                let (step, turn) = (Complex64::cis(-w * interval_s), Complex64::cis(-w * whole * interval_s));
                (1.0 - part + part * step) * turn
            }
            Self::FirstOrderLag | Self::SecondOrderLag => Complex64::new(1.0, w * delay_s).inv(),
            Self::FirstOrderHighPass | Self::BandPass => {
                Complex64::new(0.0, w * delay_s) * Complex64::new(1.0, w * delay_s).inv()
            }
        }
    }

    /// True where the second parameter is a time constant, which is not below 0 and has no upper bound in practice.
    pub(in crate::contamination) fn has_time_constant(self) -> bool {
        !matches!(self, Self::Delay | Self::InterpolatedDelay)
    }

    /// The path of the first order with a second low-pass behind it; `None` for others.
    pub(super) fn and_second(self) -> Option<Self> {
        match self {
            Self::FirstOrderLag => Some(Self::SecondOrderLag),
            Self::FirstOrderHighPass => Some(Self::BandPass),
            _ => None,
        }
    }

    /// True where a second low-pass goes with it.
    pub(in crate::contamination) fn has_second(self) -> bool {
        matches!(self, Self::SecondOrderLag | Self::BandPass)
    }

    /// True where it takes low frequencies.
    pub(in crate::contamination) fn is_high_pass(self) -> bool {
        matches!(self, Self::FirstOrderHighPass | Self::BandPass)
    }
}

/// Gain, delay and what belongs to them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::contamination) struct Model {
    pub(in crate::contamination) path: Path,
    pub(in crate::contamination) gain: f64,
    pub(in crate::contamination) delay_s: f64,
    /// Time constant of the second low-pass, seconds; 0 where the path has none.
    pub(in crate::contamination) second_s: f64,
    /// Corner in hertz by which the supply's AC coupling and the circuit's differ; negative: the circuit's is higher.
    pub(in crate::contamination) corner_hz: f64,
    pub(super) interval_s: f64,
}

impl Model {
    pub(in crate::contamination) fn new(
        path: Path,
        gain: f64,
        delay_s: f64,
        corner_hz: f64,
        sample_rate_hz: f64,
    ) -> Self {
        Self { path, gain, delay_s, second_s: 0.0, corner_hz, interval_s: 1.0 / sample_rate_hz }
    }
    pub(in crate::contamination) fn with_second_s(self, second_s: f64) -> Self {
        Self { second_s, ..self }
    }
    /// The same response with the longer of two time constants first: which is which makes no difference.
    pub(super) fn longer_first(self) -> Self {
        if self.path.has_second() && self.second_s > self.delay_s {
            return Self { delay_s: self.second_s, second_s: self.delay_s, ..self };
        }
        self
    }
    pub(in crate::contamination) fn at(&self, frequency_hz: f64) -> Complex64 {
        self.gain * self.unit(frequency_hz)
    }
    pub(super) fn unit(&self, frequency_hz: f64) -> Complex64 {
        self.sections(2.0 * PI * frequency_hz) * self.coupling(frequency_hz)
    }
    /// The path's response at angular frequency `w` (rad/s) for gain 1, without the couplings.
    fn sections(&self, w: f64) -> Complex64 {
        let first = self.path.response(w, self.delay_s, self.interval_s);
        if self.path.has_second() { self.scale() * first * self.second(w) } else { first }
    }
    /// The response at `first`, `first + 1` ... times `step_hz`.
    #[inline(always)]
    pub(super) fn along(&self, step_hz: f64, first: usize, out: &mut Responses) {
        let step = |seconds: f64| 2.0 * PI * step_hz * seconds;
        let hz = |i: usize| (first + i) as f64 * step_hz;
        match self.path {
            Path::Delay => turned(step(self.delay_s), first, self.gain, out),
            Path::InterpolatedDelay => {
                let whole = (self.delay_s / self.interval_s).floor();
                let part = self.delay_s / self.interval_s - whole;
                let mut interval = Responses::NONE;
                turned(step(self.interval_s), first, 1.0, &mut interval);
                turned(step(whole * self.interval_s), first, self.gain, out);
                for i in 0..RESPONSES {
                    let (re, im) = (1.0 - part + part * interval.re[i], part * interval.im[i]);
                    (out.re[i], out.im[i]) = (re * out.re[i] - im * out.im[i], re * out.im[i] + im * out.re[i]);
                }
            }
            Path::FirstOrderLag | Path::FirstOrderHighPass | Path::SecondOrderLag | Path::BandPass => {
                for i in 0..RESPONSES {
                    let response = self.gain * self.sections(2.0 * PI * hz(i));
                    (out.re[i], out.im[i]) = (response.re, response.im);
                }
            }
        }
        if self.corner_hz != 0.0 {
            for i in 0..RESPONSES {
                let response = Complex64::new(out.re[i], out.im[i]) * self.coupling(hz(i));
                (out.re[i], out.im[i]) = (response.re, response.im);
            }
        }
    }
    /// Factor on the gain of the path's sections: a band-pass is stated by its largest gain.
    pub(in crate::contamination) fn scale(&self) -> f64 {
        if self.path == Path::BandPass { 1.0 + self.second_s / self.delay_s } else { 1.0 }
    }
    /// What the second low-pass lets through.
    fn second(&self, w: f64) -> Complex64 {
        Complex64::new(1.0, w * self.second_s).inv()
    }
    /// What the couplings and the second low-pass make of the path's first section.
    pub(super) fn around(&self, frequency_hz: f64) -> Complex64 {
        self.second(2.0 * PI * frequency_hz) * self.coupling(frequency_hz)
    }
    /// What the two couplings differ by: `1 - i c / f` gives back what the supply's took, `1 / (1 - i |c| / f)` takes what
    /// the circuit's does.
    fn coupling(&self, frequency_hz: f64) -> Complex64 {
        let turn = Complex64::new(1.0, -self.corner_hz.abs() / frequency_hz);
        match self.corner_hz {
            0.0 => Complex64::new(1.0, 0.0),
            corner_hz if corner_hz > 0.0 => turn,
            _ => turn.inv(),
        }
    }
    /// Phase by which the path lags at a frequency, radians, its coupling and polarity left out: not folded into a turn.
    pub(in crate::contamination) fn lag_rad(&self, frequency_hz: f64) -> f64 {
        let turn = 2.0 * PI * frequency_hz * self.delay_s;
        let second = 2.0 * PI * frequency_hz * self.second_s;
        match self.path {
            Path::Delay | Path::InterpolatedDelay => turn,
            Path::FirstOrderLag => turn.atan(),
            Path::FirstOrderHighPass => turn.atan() - 0.5 * PI,
            Path::SecondOrderLag => turn.atan() + second.atan(),
            Path::BandPass => turn.atan() - 0.5 * PI + second.atan(),
        }
    }
}

/// Bins whose response is found together.
pub(super) const RESPONSES: usize = 512;

/// Responses at successive bins.
pub(super) struct Responses {
    pub(super) re: [f64; RESPONSES],
    pub(super) im: [f64; RESPONSES],
}

impl Responses {
    pub(super) const NONE: Self = Self { re: [0.0; RESPONSES], im: [0.0; RESPONSES] };
}

/// `scale exp(-i k step)` for k = `first`, `first + 1` ...: a few are computed and turned on from set to set; rounding stays below
/// 64 units of the last digit.
#[inline(always)]
fn turned(step: f64, first: usize, scale: f64, out: &mut Responses) {
    let at: [Complex64; LANES] = std::array::from_fn(|lane| scale * Complex64::cis(-step * (first + lane) as f64));
    let (mut re, mut im) = (at.map(|z| z.re), at.map(|z| z.im));
    let by = Complex64::cis(-step * LANES as f64);
    let sets = out.re.as_chunks_mut::<LANES>().0.iter_mut().zip(out.im.as_chunks_mut::<LANES>().0);
    for (out_re, out_im) in sets {
        (*out_re, *out_im) = (re, im);
        for lane in 0..LANES {
            let turned = re[lane] * by.re - im[lane] * by.im;
            im[lane] = re[lane] * by.im + im[lane] * by.re;
            re[lane] = turned;
        }
    }
}
