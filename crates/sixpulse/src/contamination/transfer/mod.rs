//! The transfer from the supply to a circuit: one signed gain and one delay that must serve every frequency at which
//! the supply's ripple stands clear of its noise.
//!
//! Two periodic signals of equal frequency are coherent without any connection, so coherence proves nothing here.
//! What a connection does leave is *one* gain and *one* delay over several orders, over the side lines that wandering
//! speed gives each order, and over whatever else travels on the supply (switched loads). The fit is made on averaged
//! auto- and cross-spectra (Hann window), so it needs no phase tracking and no memory beyond a few spectra:
//! with supply `x`, circuit `y` and the model `M(f)`, the residual power in a bin is
//! `Syy - 2 Re(M* Sxy) + |M|^2 Sxx`, and the weighted sum of it is least at the maximum-likelihood gain and delay.
//! Weights are the inverse of the circuit's local noise, found again after each step, so that lines of the circuit's
//! own signal lose their say (iteratively reweighted least squares). The supply's noise and the distortion of a coarse
//! converter (`lsb^2/12`) count as noise of the regressor: bins that do not clear it are left out.
//!
//! Standard uncertainties follow from the curvature at the optimum (JCGM 100:2008, 5.1), widened by the scatter of
//! the orders about the common model where that is larger than the noise explains (Birge ratio).

mod band;
mod choice;
mod columns;
mod folded;
mod groups;
mod path;
mod search;
mod spectra;

pub(super) use band::{Doubt, Floor, Setting, floor_sum, floors, noise_level};
pub(super) use groups::{Group, Line};
pub(super) use path::Model;
pub use path::{DELAY_RANGE_S, Path};
pub(super) use spectra::{CrossSpectra, IN_STEP, LINE_REACH};

use crate::pooled::Pooled;
use crate::trace::Trace;
use band::{Band, LEAST_BINS, Say};
use choice::Candidates;
use columns::Unknown;
use groups::{groups, widening};
use search::{CornerPrior, Normal, first_order_starts, refine, second_order_starts, starting_points};

/// Log-likelihood by which carrying something must beat carrying nothing before a path is chosen.
const NOTICED: f64 = 8.0;
/// Starts of the fit closer than this are one, seconds: every step that follows reaches further.
const SAME_START_S: f64 = 1e-6;
/// Degrees of freedom that the estimate of what folds back is worth beside the orders' scatter.
const PRIOR: f64 = 2.0;

/// The result of the fit.
#[derive(Debug, Clone)]
pub(super) struct Fit {
    pub(super) model: Model,
    pub(super) gain_std: f64,
    pub(super) delay_std: f64,
    /// Standard uncertainty of the gain of a plain delay: what the test could see.
    pub(super) detection_std: f64,
    /// Power of the ripple in the circuit, V^2.
    pub(super) carried_power: f64,
    /// Groups of bins with their own transfer.
    pub(super) groups: Vec<Group>,
    /// Power of the circuit after the ripple is taken out, bin by bin from 0 Hz.
    pub(super) residual: Pooled<f64>,
    /// Power of the ripple that was taken out, bin by bin from 0 Hz.
    pub(super) removed: Pooled<f64>,
    /// First bin of the band.
    first: usize,
}

impl Fit {
    /// Takes what the model leaves and takes out from other spectra of the same bins: those of the traces as captured.
    pub(super) fn seen_in(&mut self, spectra: &CrossSpectra) {
        (self.residual, self.removed) = spectra.left(&self.model);
        self.carried_power = self.removed.iter().skip(self.first).sum();
    }
}

/// A fit on averaged spectra, with what a second look at the same bins goes on from.
pub(super) struct Look<'a> {
    band: Band<'a>,
    corner: CornerPrior,
    electrical_hz: Option<f64>,
    says: [Vec<f64>; 2],
    /// The paths fitted with a gain and one time.
    fits: Vec<Model>,
    detection_std: f64,
}

impl<'a> Look<'a> {
    /// Fits every path of one time; `None` when the supply has no line clear of its noise.
    pub(super) fn new(spectra: &'a CrossSpectra, supply: &Trace, circuit: &Trace, setting: &Setting) -> Option<Self> {
        let band = Band::new(spectra, setting, 1.0 / supply.sample_rate_hz());
        if band.used.len() < LEAST_BINS {
            return None;
        }
        let corner = CornerPrior::new(supply, circuit);
        let says = [band.says(Say::Equal), band.says(Say::ByPower)];
        let mut starts: Vec<Model> = Vec::new();
        for start in says.iter().flat_map(|say| starting_points(&band, corner.start_hz, say)) {
            // Both searches mostly find the same peaks.
            if starts.iter().all(|s| (s.delay_s - start.delay_s).abs() > SAME_START_S) {
                starts.push(start);
            }
        }
        let rough = starts.into_iter().map(|start| refine(&band, start, &corner, 4)).collect();
        let near = Candidates::new(&band, rough)?.best()?;
        let plain = refine(&band, near, &corner, 12);
        let detection_std = std_of_gain(&band, &plain, &corner);
        let mut fits = vec![plain, refine(&band, Model { path: Path::InterpolatedDelay, ..near }, &corner, 12)];
        for start in first_order_starts(&band, near, &says) {
            fits.extend([start, refine(&band, start, &corner, 16)]);
        }
        Some(Self { band, corner, electrical_hz: setting.electrical_hz, says, fits, detection_std })
    }

    /// The likeliest path of one time.
    pub(super) fn fit(&self) -> Option<Fit> {
        let candidates = Candidates::new(&self.band, self.fits.clone())?;
        // Where nothing is carried the choice among paths would only fit the noise.
        let carried = candidates.least() < candidates.silent - NOTICED;
        let model = if carried { candidates.best()? } else { self.fits[0] };
        Some(self.summarised(&candidates, model))
    }

    /// A path with a second low-pass; `None` where none is likelier than every path without.
    pub(super) fn second_order(&self) -> Option<Fit> {
        let mut fits = self.fits.clone();
        for start in second_order_starts(&self.band, self.fits[0], &self.says) {
            fits.push(refine(&self.band, start, &self.corner, 24).longer_first());
        }
        let candidates = Candidates::new(&self.band, fits)?;
        let model = candidates.best().filter(|m| m.path.has_second())?;
        Some(self.summarised(&candidates, model))
    }

    fn summarised(&self, candidates: &Candidates, model: Model) -> Fit {
        let fit = summarise(&self.band, candidates, model, &self.corner, self.electrical_hz);
        Fit { detection_std: self.detection_std, ..fit }
    }
}

/// The fit of the likeliest path of one time.
pub(super) fn fit(spectra: &CrossSpectra, supply: &Trace, circuit: &Trace, setting: &Setting) -> Option<Fit> {
    Look::new(spectra, supply, circuit, setting)?.fit()
}

/// Standard uncertainty of the gain from the curvature alone, by what is not the supply's: where nothing is carried, what
/// folds back upon the supply's lines does not come through either.
fn std_of_gain(band: &Band, model: &Model, corner: &CornerPrior) -> f64 {
    let (left, noise) = band.residual(model);
    let weights: Vec<f64> = left.iter().zip(&noise).map(|(l, n)| 1.0 / n.max(l / 3.0)).collect();
    let normal = Normal::new(band, model, &weights, corner);
    // Without any gain the delay has no say and the matrix no inverse.
    normal.std(Unknown::Gain).unwrap_or_else(|| normal.std_of_gain_alone())
}

fn summarise(
    band: &Band,
    candidates: &Candidates,
    model: Model,
    corner: &CornerPrior,
    electrical_hz: Option<f64>,
) -> Fit {
    let weights = band.weights(&model);
    let normal = Normal::new(band, &model, &weights, corner);
    let mut groups = groups(band, &model, &weights, electrical_hz);
    let scatter: f64 = groups.iter().map(|g| g.departure.norm_sqr() / (g.departure_std * g.departure_std)).sum();
    let freedom = 2.0 * groups.len() as f64 - if model.path.has_second() { 3.0 } else { 2.0 };
    let birge = if freedom > 0.0 { (scatter / freedom).max(1.0).sqrt() } else { 1.0 };
    // Less may fold back than the spectrum's end lets fear: the orders' own scatter says so, with a prior's weight.
    let less = ((scatter + PRIOR) / (freedom + PRIOR)).min(1.0).sqrt();
    groups.iter_mut().for_each(|g| g.departure_std = g.noise_std.max(less * g.departure_std));
    let (gain_spread, delay_spread) = candidates.spread(&model);
    let wider = [widening(&groups, |_| 1.0), widening(&groups, |hz| hz * hz)];
    let std = |of: Unknown, wider: f64, spread: f64| {
        normal.std(of).map_or(f64::INFINITY, |std| (std * std * wider * birge * birge + spread).sqrt())
    };
    let (residual, removed) = band.spectra.left(&model);
    Fit {
        model,
        gain_std: std(Unknown::Gain, wider[0], gain_spread + (model.gain * band.quantisation).powi(2)),
        delay_std: std(Unknown::Delay, wider[1], delay_spread),
        detection_std: f64::NAN,
        carried_power: removed.iter().skip(band.first).sum(),
        groups,
        residual,
        removed,
        first: band.first,
    }
}
