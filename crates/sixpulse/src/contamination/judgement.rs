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
    // The deviations are as they were seen, not limits set beforehand; any of the orders could have been the ones to agree.
    let (mut as_seen, mut choices) = (1.0, 1.0);
    let bent = usize::from(model.path.has_second());
    for (i, g) in others.iter().enumerate().skip(bent) {
        let apart = (g.departure.norm().hypot(g.noise_std) / model.gain.abs()).min(1.0);
        let open = if i == 0 { 2.0 * periods_open(first.line.frequency_hz, g.line.frequency_hz) } else { 1.0 };
        as_seen *= apart * (open * apart / std::f64::consts::PI).min(1.0);
        choices *= testable.saturating_sub(1 + i).max(1) as f64 / (i + 1) as f64;
    }
    (choices * product_at_most(as_seen, others.len().saturating_sub(bent))).min(1.0)
}

/// Probability that the product of `count` independent probabilities, each uniform over 0 to 1, is at most `product`: Fisher's
/// combination of tests (Statistical Methods for Research Workers, 1932, section 21.1; from memory), the upper tail of
/// chi-squared with `2 count` degrees of freedom at `-2 ln product`, as a finite sum. 1 where nothing was combined.
fn product_at_most(product: f64, count: usize) -> f64 {
    match (count, product) {
        (0, _) => return 1.0,
        (_, ..=0.0) => return 0.0,
        _ => {}
    }
    let log = -product.ln();
    let terms = (1..count).scan(product, |term, i| {
        *term *= log / i as f64;
        Some(*term)
    });
    (product + terms.sum::<f64>()).min(1.0)
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

/// What the orders say for and against the common transfer. A line counts once, however far the speed's wander spreads it.
struct Evidence<'a> {
    supporters: Vec<&'a Group>,
    opposers: usize,
    /// Orders that could have shown the transfer one by one.
    testable: usize,
}

impl<'a> Evidence<'a> {
    fn of(fit: &'a Fit) -> Self {
        let gain = fit.model.gain;
        let groups = || fit.groups.iter().filter(|g| !g.skirt);
        Self {
            supporters: groups().filter(|g| supports(g, gain)).collect(),
            opposers: groups().filter(|g| opposes(g, gain)).count(),
            testable: groups().filter(|g| 3.0 * g.noise_std < gain.abs()).count(),
        }
    }

    /// Why the circuit carries the ripple; `None` where that is not proved.
    fn proof(&self, model: &Model, read_by: ReadBy) -> Option<String> {
        self.of_several(model, read_by).or_else(|| self.of_one(model, read_by))
    }

    /// By orders that agree better than chance would let them.
    fn of_several(&self, model: &Model, read_by: ReadBy) -> Option<String> {
        let agree = self.supporters.len();
        let rare = || chance(&self.supporters, self.testable, model) < read_by.most_chance();
        (agree >= 2 && agree > 2 * self.opposers && rare())
            .then(|| format!("{agree} orders agree on {:.3} V/V, {:.1} us", model.gain, model.delay_s * 1e6))
    }

    /// By a single order whose wander the circuit follows.
    fn of_one(&self, model: &Model, read_by: ReadBy) -> Option<String> {
        let [only] = self.supporters[..] else { return None };
        let alone = self.testable == 1 && self.opposers == 0 && read_by == ReadBy::Lines;
        let follows = only.in_step > IN_STEP && only.spread >= SPREAD_BINS;
        (alone && follows).then(|| {
            let (lines, gain) = (only.spread, model.gain);
            format!("one order follows the supply's speed wander over {lines:.0} lines with {gain:.3} V/V")
        })
    }

    /// Why nothing is proved.
    fn open(&self) -> String {
        match (self.supporters.len(), self.opposers) {
            (agree, against @ 1..) => format!("{agree} orders agree on a transfer, {against} contradict it; {ASK}"),
            (agree @ 2.., 0) => {
                format!("{agree} orders agree on a transfer, which chance would bring about as well; {ASK}")
            }
            _ => format!("a single steady order matches; {ASK}"),
        }
    }
}

pub(super) fn judge(fit: Option<&Fit>, read_by: ReadBy) -> Judgement {
    use ContaminationVerdict::{Clean, Contaminated, Undetermined};
    let say = |verdict, reason: String| Judgement { verdict, reason };
    let Some(fit) = fit else {
        return say(Undetermined, "the supply shows no ripple clear of its noise, so nothing can be traced".into());
    };
    let limit = detectable(fit).max(LEAST_GAIN_V_PER_V);
    if fit.model.gain.abs() <= limit {
        return if limit <= CLEAN_BELOW_V_PER_V {
            say(Clean, format!("no common transfer; a gain of {limit:.3} V/V would have been seen"))
        } else {
            say(
                Undetermined,
                format!("no common transfer, and only a gain above {limit:.2} V/V would have been seen; {ASK}"),
            )
        };
    }
    let evidence = Evidence::of(fit);
    match evidence.proof(&fit.model, read_by) {
        Some(proof) => say(Contaminated, proof),
        None => say(Undetermined, evidence.open()),
    }
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
    fn a_few_of_many_orders_agree_loosely_by_chance() {
        // Six of 17 orders, a quarter of the gain off each: as limits set beforehand five such deviations would be one in
        // 37,000, choice included.
        let groups: Vec<Group> = (1..=6)
            .map(|order| Group::example(order, 200.0 * f64::from(order), 0.1))
            .map(|g| Group { departure: g.departure / g.departure.norm() * 0.2, ..g })
            .collect();
        let model = Model::new(transfer::Path::Delay, 0.8, 30e-6, 0.0, 50_000.0);
        let supporters: Vec<&Group> = groups.iter().collect();
        assert!(chance(&supporters, 17, &model) > MOST_CHANCE);
        // Six of six do not.
        assert!(chance(&supporters, 6, &model) < 1e-3);
    }

    #[test]
    fn probabilities_combine_as_fisher_s_method_has_them() {
        // SciPy 1.17: stats.chi2.sf(-2 ln product, 2 count); a double's rounding over the sums.
        let tails = [(0.03, 1, 0.03), (0.01, 3, 0.162_089_664_069_449_02), (1e-6, 5, 0.002_067_686_925_472_266)];
        for (product, count, expected) in tails.into_iter().chain([(1e-30, 12, 5.075_975_453_681_114e-18)]) {
            let found = product_at_most(product, count);
            assert!((found / expected - 1.0).abs() < 1e-12, "{product} {count}: {found}");
        }
        assert_eq!([product_at_most(1.0, 0), product_at_most(0.0, 2)], [1.0, 0.0]);
    }

    #[test]
    fn what_may_have_folded_back_contradicts_nothing() {
        let group = Group::example(37, 8487.0, 0.021);
        assert!(opposes(&group, 0.8));
        assert!(!opposes(&Group { may_be_folded: true, ..group }, 0.8));
    }
}
