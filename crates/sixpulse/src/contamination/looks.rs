//! Fit and verdict in as many looks as it takes: at the lines of both spectra, with a second low-pass in the path, without
//! a wheel's lines, and at the codes of a coarse converter.

use super::judgement::{ASK, Judgement, ReadBy, SIGNIFICANT, detectable, judge, supports};
use super::subject::Subject;
use super::transfer::{self, CrossSpectra, Doubt, Fit, Group, IN_STEP, Look, Path, Setting};
use super::{ContaminationVerdict, coarse, variance, wheel};
use crate::trace::Trace;

/// Ripple of fewer r.m.s. steps of the supply's converter than this is read by the crossings of the codes.
const COARSE_STEPS: f64 = 1.0;
/// Factor by which a converter that coarse may hide a transfer.
const COARSE_DOUBT: f64 = 3.0;
/// Relative standard uncertainty of a gain read by the codes: the shape taken from the circuit is not known better.
const COARSE_STD: f64 = 0.04;
/// The same where the ripple stays within two codes.
const TWO_CODES_STD: f64 = 0.5;
/// Standard uncertainties by which the codes must move in time with the circuit.
const COARSE_SIGNIFICANT: f64 = 10.0;
/// Converters that move by fewer r.m.s. steps than this rest on one code nearly always.
const HARDLY: f64 = 0.3;
/// Part of what moves the codes that the circuit's shape must explain before they prove a connection alone.
const COARSE_EXPLAINED: f64 = 0.45;
/// Standard uncertainties by which an order must depart from the common path before a second low-pass is thought of.
const DEPARTS: f64 = 3.0;

/// Fit and verdict by the lines of both spectra and by the codes of a coarse converter.
pub(super) fn concluded(
    subject: &Subject,
    supply: &Trace,
    spectra: &CrossSpectra,
    setting: &Setting,
) -> (Option<Fit>, Judgement) {
    let (mut fit, mut judgement, read_by) = by_lines(subject, supply, spectra, setting);
    if let Some(fit) = fit.as_mut() {
        periods_of_one(fit, &judgement);
    }
    if spectra.supply_rms_v() >= COARSE_STEPS * setting.supply_lsb_v {
        return (fit, judgement);
    }
    let found = coarse::gain_from_codes(supply, &subject.trace, setting.supply_lsb_v, setting.electrical_hz);
    if let (Some(fit), Some(found)) = (fit.as_mut(), found) {
        judgement = match (read_by, judgement.verdict) {
            // The codes are read against the circuit's shape, wheel and all.
            (ReadBy::Angle, ContaminationVerdict::Contaminated) => open_within_codes(fit, judgement),
            _ => refine_coarse(fit, judgement, &found),
        };
    }
    (fit, judgement)
}

/// Fit and verdict by the lines of both spectra, with a second low-pass where those ask for it; where they leave it open, with
/// fainter lines and by the wheel's angle.
fn by_lines(
    subject: &Subject,
    supply: &Trace,
    spectra: &CrossSpectra,
    setting: &Setting,
) -> (Option<Fit>, Judgement, ReadBy) {
    let circuit = &subject.trace;
    let look = Look::new(spectra, supply, circuit, setting);
    let mut fit = look.as_ref().and_then(Look::fit);
    if let Some(fit) = fit.as_mut() {
        hidden_by_converters(fit, spectra, setting, variance(circuit));
    }
    let mut judgement = judge(fit.as_ref(), ReadBy::Lines);
    if let Some((found, by_both)) = look.zip(fit.as_ref()).and_then(|(look, first)| with_second_low_pass(&look, first))
    {
        (fit, judgement) = (Some(found), by_both);
    }
    if let Some((found, by_more)) = with_fainter_lines(&judgement, circuit, supply, spectra, setting) {
        // What may be rounding or folded back proves the connection; it does not say better how strong it is.
        fit = fit.filter(|fit| fit.model.gain.abs() > detectable(fit)).or(Some(found));
        judgement = by_more;
    }
    let open = judgement.verdict == ContaminationVerdict::Undetermined && subject.switched.is_none();
    match open.then(|| without_wheel(circuit, supply, spectra, setting)).flatten() {
        Some((found, by_angle)) => (Some(found), by_angle, ReadBy::Angle),
        None => (fit, judgement, ReadBy::Lines),
    }
}

/// A single order leaves its delay open by half periods, with either polarity.
fn periods_of_one(fit: &mut Fit, judgement: &Judgement) {
    let mut supporting = fit.groups.iter().filter(|g| supports(g, fit.model.gain));
    if let (ContaminationVerdict::Contaminated, Some(only), None) =
        (judgement.verdict, supporting.next(), supporting.next())
    {
        fit.delay_std = fit.delay_std.hypot(0.5 / only.line.frequency_hz);
    }
}

/// Fit and verdict with a second low-pass in the path, where an order departs from every path without; `None` where that
/// proves no connection.
fn with_second_low_pass(look: &Look, first: &Fit) -> Option<(Fit, Judgement)> {
    let departs = |g: &Group| g.departure.norm() > DEPARTS * g.departure_std;
    if !first.groups.iter().any(departs) {
        return None;
    }
    let mut fit = look.second_order()?;
    fit.detection_std = first.detection_std;
    let judgement = judge(Some(&fit), ReadBy::Lines);
    (judgement.verdict == ContaminationVerdict::Contaminated).then_some((fit, judgement))
}

/// Fit and verdict on those lines of the supply, too, that its converter's rounding could hide if all of it lay on them and that
/// are no stronger than what folds back, where the verdict is open without them; `None` where they prove no connection. Some of
/// them may be rounding, or fold back with another phase: they speak for a path, never for its absence.
fn with_fainter_lines(
    judgement: &Judgement,
    circuit: &Trace,
    supply: &Trace,
    spectra: &CrossSpectra,
    setting: &Setting,
) -> Option<(Fit, Judgement)> {
    let open = judgement.verdict == ContaminationVerdict::Undetermined;
    // Ripple within a step is distorted by more than it leaves between its lines.
    let coarse = spectra.supply_rms_v() < COARSE_STEPS * setting.supply_lsb_v;
    if !open || coarse {
        return None;
    }
    let setting = Setting { doubt: Doubt::AsFound, ..*setting };
    let mut fit = transfer::fit(spectra, supply, circuit, &setting)?;
    hidden_by_converters(&mut fit, spectra, &setting, variance(circuit));
    let judgement = judge(Some(&fit), ReadBy::Lines);
    (judgement.verdict == ContaminationVerdict::Contaminated).then_some((fit, judgement))
}

/// Fit and verdict once the lines of a wheel that turns in the circuit are taken out of both traces by its angle; `None`
/// where none turns or the verdict stays open.
fn without_wheel(
    circuit: &Trace,
    supply: &Trace,
    spectra: &CrossSpectra,
    setting: &Setting,
) -> Option<(Fit, Judgement)> {
    let [y, x] = wheel::Wheel::of(circuit, spectra)?.taken_out([circuit, supply])?;
    let mut fit = transfer::fit(&CrossSpectra::new(&x, &y), &x, &y, setting)?;
    hidden_by_converters(&mut fit, spectra, setting, variance(circuit));
    let judgement = judge(Some(&fit), ReadBy::Angle);
    let limit = detectable(&fit);
    let open = match judgement.verdict {
        ContaminationVerdict::Contaminated => false,
        ContaminationVerdict::Clean => fit.groups.iter().any(|g| moves_with_the_supply(g, fit.model.gain, limit)),
        ContaminationVerdict::Undetermined => true,
    };
    if open {
        return None;
    }
    fit.seen_in(spectra);
    Some((fit, judgement))
}

/// A group that shows a transfer of its own beyond the limit of a clean verdict.
fn moves_with_the_supply(group: &Group, gain: f64, limit: f64) -> bool {
    let own = (group.departure + gain).norm();
    own > SIGNIFICANT * group.noise_std && own > limit && group.in_step > IN_STEP
}

/// Counts in what the test could have seen that coarse converters hide ripple; `circuit_power` is the circuit's variance.
fn hidden_by_converters(fit: &mut Fit, spectra: &CrossSpectra, setting: &Setting, circuit_power: f64) {
    if spectra.supply_rms_v() < COARSE_STEPS * setting.supply_lsb_v {
        fit.detection_std *= COARSE_DOUBT;
    }
    let unseen = unseen_gain(fit, setting.circuit_lsb_v) / SIGNIFICANT;
    if circuit_power <= f64::MIN_POSITIVE {
        fit.detection_std = unseen;
    } else if circuit_power < (HARDLY * setting.circuit_lsb_v).powi(2) {
        fit.detection_std = fit.detection_std.max(unseen);
    }
}

/// Gain from which the supply's ripple moves a converter that did not move: whatever its shape, its peak-to-peak value is
/// at least twice its r.m.s. value (Popoviciu's inequality on variances).
fn unseen_gain(fit: &Fit, step_v: f64) -> f64 {
    let rms_v = fit.groups.iter().map(|g| 0.5 * g.line.supply_v * g.line.supply_v).sum::<f64>().sqrt();
    if step_v > 0.0 && rms_v > 0.0 { 0.5 * step_v / rms_v } else { f64::INFINITY }
}

/// Takes over what the crossings of a coarse converter's codes say (see [`coarse`]).
pub(super) fn refine_coarse(fit: &mut Fit, judgement: Judgement, found: &coarse::CoarseGain) -> Judgement {
    let contaminated = judgement.verdict == ContaminationVerdict::Contaminated;
    if found.significance < COARSE_SIGNIFICANT {
        // Less is needed to take a clean verdict back than to prove a connection.
        let judgement = open_within_codes(fit, judgement);
        return if found.significance < SIGNIFICANT { judgement } else { unexplained_steps(judgement) };
    }
    // Within two codes the crossings do not tell how far the ripple goes on beyond them.
    let open = found.codes < 3 || found.gain_std > 0.2 * found.gain.abs();
    if open && contaminated {
        return open_within_codes(fit, judgement);
    }
    if !contaminated && found.explained < COARSE_EXPLAINED {
        return unexplained_steps(judgement);
    }
    let apart = (found.gain - gain_at_the_strongest(fit)).abs();
    // Where the orders saw nothing to compare with, part of the distance to what they said remains as doubt.
    let doubt = match (open, contaminated) {
        (true, _) => TWO_CODES_STD * found.gain.abs(),
        (false, true) => COARSE_STD * found.gain.abs(),
        (false, false) => 0.3 * apart,
    };
    fit.gain_std = found.gain_std.max(doubt);
    fit.model.gain = found.gain;
    fit.model.delay_s = found.delay_s;
    (fit.model.path, fit.model.second_s) = (Path::Delay, 0.0);
    Judgement {
        verdict: ContaminationVerdict::Contaminated,
        reason: format!(
            "the supply crosses its converter's coarse steps in time with the circuit: {:.3} V/V, {:.1} us",
            found.gain,
            found.delay_s * 1e6
        ),
    }
}

/// What the orders say of the gain at the strongest of them: of a path with a long time constant the gain may be anything.
fn gain_at_the_strongest(fit: &Fit) -> f64 {
    let strongest = fit.groups.iter().max_by(|a, b| a.line.supply_v.total_cmp(&b.line.supply_v));
    strongest.map_or(fit.model.gain, |g| fit.model.at(g.line.frequency_hz).norm().copysign(fit.model.gain))
}

/// The codes do not say how far the ripple goes: what the orders gave is distorted by an amount nobody can state better.
fn open_within_codes(fit: &mut Fit, judgement: Judgement) -> Judgement {
    fit.gain_std = fit.gain_std.max(TWO_CODES_STD * fit.model.gain.abs());
    judgement
}

/// Another machine in step crosses the steps in time as well, though its shape does not explain when: that proves nothing,
/// but clean the circuit is not.
fn unexplained_steps(judgement: Judgement) -> Judgement {
    match judgement.verdict {
        ContaminationVerdict::Clean => Judgement {
            verdict: ContaminationVerdict::Undetermined,
            reason: format!("the supply crosses its converter's coarse steps in time with the circuit; {ASK}"),
        },
        _ => judgement,
    }
}
