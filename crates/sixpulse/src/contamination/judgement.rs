//! The verdict on a fit: which orders support the common transfer, which contradict it, and how easily chance would bring
//! their agreement about.

use super::transfer::{self, Fit, Group, IN_STEP, Model};
use super::{CLEAN_BELOW_V_PER_V, ContaminationVerdict, LEAST_GAIN_V_PER_V};

/// Gains are significant from this many standard uncertainties: the best of several hundred delays reaches 4 by chance.
pub(super) const SIGNIFICANT: f64 = 6.0;
/// A line supports the common transfer while less than this part of the power that it puts there is left over: of a line
/// with another phase a quarter of a turn off two parts are left.
const MOST_UNEXPLAINED: f64 = 0.5;
/// What an undetermined verdict asks for where the two circuits move in step.
pub(super) const ASK: &str = "moving in step alone does not prove a connection: take the ripple away (field unplugged) and \
                              see whether the circuit's signal goes with it";
/// Bins over which speed wander must have spread the power of a single order before it counts as evidence on its own.
const SPREAD_BINS: f64 = 6.0;
/// Probability of an agreement by chance above which it is none. A machine that turns exactly in step and makes the same
/// orders is rare enough to begin with.
const MOST_CHANCE: f64 = 0.1;
/// The same for a second look, once a wheel's lines are taken out by its angle.
const MOST_CHANCE_BY_ANGLE: f64 = 0.03;
/// Power that the common transfer puts on an order, against the noise, from which a miss counts against it.
const CLEAR_OF_NOISE: f64 = 5.0;

/// How the transfer was read.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum ReadBy {
    /// By the lines of both spectra.
    Lines,
    /// By those that are left when a wheel's are taken out by its angle: a second look, which must show more.
    Angle,
}

impl ReadBy {
    /// Probability of an agreement by chance above which it is none.
    fn most_chance(self) -> f64 {
        match self {
            Self::Lines => MOST_CHANCE,
            Self::Angle => MOST_CHANCE_BY_ANGLE,
        }
    }
}

pub(super) struct Judgement {
    pub(super) verdict: ContaminationVerdict,
    pub(super) reason: String,
}

pub(super) fn detectable(fit: &Fit) -> f64 {
    SIGNIFICANT * fit.detection_std
}

/// A group that shows the common transfer by itself.
pub(super) fn supports(group: &Group, gain: f64) -> bool {
    group.gain / gain > 0.0
        && group.gain.abs() > 3.0 * group.noise_std
        && group.departure.norm() < 0.3 * gain.abs() + 3.0 * group.noise_std
        && group.unexplained < MOST_UNEXPLAINED
}

/// A group that would have shown the common transfer and does not: it departs from it, or most of what the circuit has
/// at the supply's lines is something else. What may ring beyond half the sample rate and fold back comes through the same
/// path with any phase: it contradicts nothing.
fn opposes(group: &Group, gain: f64) -> bool {
    let departs = group.departure.norm() > 0.5 * gain.abs() + 4.0 * group.departure_std;
    let something_else = group.unexplained > 1.0 && group.clear > CLEAR_OF_NOISE;
    (departs || something_else) && !group.may_be_folded
}

/// Probability that so many of `testable` orders of an unrelated machine in step agree by chance on one gain and one delay.
///
/// The order that tells most fixes the gain and, up to whole periods, the delay. Each further one agrees when its gain and
/// its phase lie within the deviation seen (or its uncertainty): of a gain that may be e times more or less, and of a phase
/// that may be anything. Polarity and the periods left open make the second agree so much more easily. A path with a second
/// low-pass has a time constant more: it bends to the second order, and the third is the first that can disagree.
pub(super) fn chance(supporters: &[&Group], testable: usize, model: &Model) -> f64 {
    if at_an_end(model) {
        return 1.0;
    }
    let mut sorted = supporters.to_vec();
    sorted.sort_by(|a, b| a.noise_std.total_cmp(&b.noise_std));
    let Some((first, others)) = sorted.split_first() else { return 1.0 };
    let mut chance = 1.0;
    let bent = usize::from(model.path.has_second());
    for (i, g) in others.iter().enumerate().skip(bent) {
        let apart = (g.departure.norm().hypot(g.noise_std) / model.gain.abs()).min(1.0);
        let open = if i == 0 { 2.0 * periods_open(first.line.frequency_hz, g.line.frequency_hz) } else { 1.0 };
        chance *= apart * (open * apart / std::f64::consts::PI).min(1.0);
        // Any of the orders could have been the one to agree.
        chance *= testable.saturating_sub(1 + i).max(1) as f64 / (i + 1) as f64;
    }
    chance.min(1.0)
}

/// A delay at an end of those searched is none that was found: the orders would agree better beyond it, where no
/// connection's lies.
fn at_an_end(model: &Model) -> bool {
    let (from, to) = transfer::DELAY_RANGE_S;
    !model.path.has_time_constant() && (model.delay_s <= from || model.delay_s >= to)
}

/// Phases at another frequency that the delays searched leave open when the phase at the first is known: as many as the
/// first has periods in their range, but no more than its part in the two frequencies' ratio (12 to 6 has one).
fn periods_open(first_hz: f64, other_hz: f64) -> f64 {
    let (from, to) = transfer::DELAY_RANGE_S;
    let most = 1.0 + (to - from) * first_hz;
    let part = (1..12).map(f64::from).find(|q| {
        let place = q * other_hz / first_hz;
        (place - place.round()).abs() < 0.05
    });
    part.map_or(most, |q| q.min(most))
}

pub(super) fn judge(fit: Option<&Fit>, read_by: ReadBy) -> Judgement {
    use ContaminationVerdict::{Clean, Contaminated, Undetermined};
    let say = |verdict, reason: String| Judgement { verdict, reason };
    let Some(fit) = fit else {
        return say(Undetermined, "the supply shows no ripple clear of its noise, so nothing can be traced".into());
    };
    let (gain, limit) = (fit.model.gain, detectable(fit).max(LEAST_GAIN_V_PER_V));
    // A line counts once, however far the speed's wander spreads it.
    let groups = || fit.groups.iter().filter(|g| !g.skirt);
    let supporters: Vec<&Group> = groups().filter(|g| supports(g, gain)).collect();
    let opposers = groups().filter(|g| opposes(g, gain)).count();
    if gain.abs() <= limit {
        return if limit <= CLEAN_BELOW_V_PER_V {
            say(Clean, format!("no common transfer; a gain of {limit:.3} V/V would have been seen"))
        } else {
            say(
                Undetermined,
                format!("no common transfer, and only a gain above {limit:.2} V/V would have been seen; {ASK}"),
            )
        };
    }
    let in_step = supporters.iter().filter(|g| g.in_step > IN_STEP);
    let spread = in_step.map(|g| g.spread).fold(0.0, f64::max);
    let testable = groups().filter(|g| 3.0 * g.noise_std < gain.abs()).count();
    let by_chance = chance(&supporters, testable, &fit.model);
    if supporters.len() > 2 * opposers && supporters.len() >= 2 && by_chance < read_by.most_chance() {
        let text = format!("{} orders agree on {gain:.3} V/V, {:.1} us", supporters.len(), fit.model.delay_s * 1e6);
        return say(Contaminated, text);
    }
    let alone = supporters.len() == 1 && testable == 1 && opposers == 0 && read_by == ReadBy::Lines;
    if alone && spread >= SPREAD_BINS {
        return say(
            Contaminated,
            format!("one order follows the supply's speed wander over {spread:.0} lines with {gain:.3} V/V"),
        );
    }
    if opposers > 0 {
        let agree = supporters.len();
        return say(Undetermined, format!("{agree} orders agree on a transfer, {opposers} contradict it; {ASK}"));
    }
    if supporters.len() >= 2 {
        let agree = supporters.len();
        return say(
            Undetermined,
            format!("{agree} orders agree on a transfer, which chance would bring about as well; {ASK}"),
        );
    }
    say(Undetermined, format!("a single steady order matches; {ASK}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_delay_at_an_end_of_those_searched_proves_nothing() {
        // Orders that agree to 2 % each, on 0.8 V/V.
        let groups = [(1, 200.0), (2, 400.0), (3, 600.0)].map(|(order, hz)| Group::example(order, hz, 0.1));
        let groups = groups.map(|g| Group { departure: g.departure * 0.01, ..g });
        let by_chance = |path, delay_s| {
            let model = Model::new(path, 0.8, delay_s, 0.0, 50_000.0);
            chance(&groups.iter().collect::<Vec<_>>(), 3, &model)
        };
        let (from, to) = transfer::DELAY_RANGE_S;
        assert!(by_chance(transfer::Path::Delay, 30e-6) < 1e-3);
        assert_eq!([from, to].map(|delay_s| by_chance(transfer::Path::Delay, delay_s)), [1.0; 2]);
        // A time constant has no such end.
        assert!(by_chance(transfer::Path::FirstOrderLag, to) < 1e-3);
    }

    #[test]
    fn what_may_have_folded_back_contradicts_nothing() {
        let group = Group::example(37, 8487.0, 0.021);
        assert!(opposes(&group, 0.8));
        assert!(!opposes(&Group { may_be_folded: true, ..group }, 0.8));
    }
}
