//! Means, ripple and order amplitudes of a waveform of whole cycles.

pub fn mean(x: &[f64]) -> f64 {
    x.iter().sum::<f64>() / x.len() as f64
}

pub fn rms(x: &[f64]) -> f64 {
    (x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64).sqrt()
}

pub fn ripple_rms(x: &[f64]) -> f64 {
    let m = mean(x);
    rms(&x.iter().map(|v| v - m).collect::<Vec<_>>())
}

pub fn difference_rms(a: &[f64], b: &[f64]) -> f64 {
    rms(&a.iter().zip(b).map(|(x, y)| x - y).collect::<Vec<_>>())
}

/// Peak amplitude of `order` when `x` holds `cycles` whole cycles.
pub fn order_amplitude(x: &[f64], cycles: usize, order: usize) -> f64 {
    let n = x.len() as f64;
    let (mut re, mut im) = (0.0, 0.0);
    for (i, v) in x.iter().enumerate() {
        let (s, c) = (std::f64::consts::TAU * (cycles * order) as f64 * i as f64 / n).sin_cos();
        re += v * c;
        im += v * s;
    }
    2.0 / n * re.hypot(im)
}
