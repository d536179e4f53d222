//! The seeded choice of items: which pattern, distractor, speed, sensor and target each one gets.

use sixpulse::Coupling;

use super::author::{Author, Distractor, MachineData, Order};
use super::question::QuestionKind;
use crate::draw::{Draw, SensorMode};
use crate::kind::{Condition, Fault, Wanted, sub_kind};
use crate::rng::{Random, Stream};

/// Electrical frequencies that are drawn, hertz: 12 cycles and more in the shortest record, order 24 well below half
/// the lowest sample rate.
const ELECTRICAL_HZ: (f64, f64) = (120.0, 450.0);
/// Pulses of the wheel sensor per metre of way that are drawn: invented for the sprayer.
const PULSES_PER_M: [f64; 3] = [100.0, 130.0, 200.0];

/// What one item is to be.
#[derive(Debug, Clone)]
pub(super) struct ItemPlan {
    pub id: String,
    pub pattern: String,
    pub distractor: Option<Distractor>,
    pub target: f64,
    /// Seed of the family of scenarios that is drawn from, member by member.
    pub seed: u64,
    pub electrical_hz: f64,
    pub sensor_mode: SensorMode,
    pub machine_given: bool,
    pub pulses_per_m: f64,
    pub kinds: Vec<QuestionKind>,
    /// Seed of what is shuffled within the item's questions.
    pub shuffle_seed: u64,
    /// Order and relative distance of a coincident wheel speed.
    pub coincidence: (f64, f64),
}

impl ItemPlan {
    /// What the draw of a scenario is held to.
    #[allow(clippy::cast_precision_loss, reason = "at most 200 000 samples")]
    pub(super) fn wishes(&self, author: &Author) -> Draw {
        let ac = self.distractor == Some(Distractor::WrongCoupling);
        Draw {
            pattern: Some(self.word()),
            electrical_hz: Some(self.electrical_hz),
            system_v: Some(12),
            pulse_number: Some(6),
            sensor_mode: Some(self.sensor_mode),
            sample_rate_hz: Some(author.sample_rate_hz),
            cycles: Some(author.samples as f64 / author.sample_rate_hz * self.electrical_hz),
            bits: Some(12),
            coupling: Some(if ac { Coupling::Ac } else { Coupling::Dc }),
        }
    }

    /// The condition that the distractor asks for.
    pub(super) fn condition(&self) -> Condition {
        match self.distractor {
            Some(Distractor::PoorBattery) => Condition::PoorBattery,
            Some(Distractor::SwitchedLoad) => Condition::SwitchedLoad,
            Some(Distractor::UnevenEngine) => Condition::UnevenEngine,
            Some(Distractor::Ramp) => Condition::Ramp,
            _ => Condition::Plain,
        }
    }

    /// Fault and condition in the word that a draw takes.
    fn word(&self) -> String {
        let wanted: Wanted = self.pattern.parse().unwrap_or_default();
        let mut random = Random::new(self.seed, 0, Stream::Exercise);
        let faults: Vec<(Fault, f64)> = Fault::DRAWN
            .into_iter()
            .filter(|f| wanted.fault.is_none_or(|w| w == *f))
            .filter(|f| wanted.pattern.is_none_or(|p| f.pattern() == Some(p)))
            .map(|f| (f, 1.0))
            .collect();
        let fault = random.weighted(&faults, Fault::Healthy);
        sub_kind(fault, self.condition())
    }
}

/// Plans every item of the set, in the learner's order.
pub(super) fn plan(author: &Author) -> Vec<ItemPlan> {
    let mut random = Random::new(author.seed, 0, Stream::Exercise);
    let patterns = shared_out(&mut random, &author.patterns, author.count);
    let distractors = plan_distractors(&mut random, author, &patterns);
    let mut targets = targets(author);
    if author.order == Order::Shuffled {
        shuffle(&mut random, &mut targets);
    }
    let kinds = asked(author);
    let mut casts: Vec<Cast> =
        patterns.into_iter().zip(distractors).map(|(pattern, distractor)| Cast { pattern, distractor }).collect();
    bring_into_reach(&mut casts, &targets);
    casts
        .into_iter()
        .zip(targets)
        .enumerate()
        .map(|(i, (cast, target))| plan_item(&mut random, author, &kinds, i, cast, target))
        .collect()
}

/// What an item shows.
struct Cast {
    pattern: String,
    distractor: Option<Distractor>,
}

impl Cast {
    /// Difficulties that draws of it usually reach: chosen by us on a few builds of the course; a draw outside is rejected.
    fn reach(&self) -> (f64, f64) {
        let (low, high) = match self.pattern.as_str() {
            "not_charging" => (0.26, 0.5),
            "imbalance" | "resistive_joint" | "weak_phase" | "leaking_diode" => (0.19, 0.46),
            "healthy" => (0.14, 0.41),
            _ => (0.12, 0.42),
        };
        match self.distractor {
            None => (low, high),
            Some(Distractor::ClippedRange) => (0.44, 0.8),
            Some(_) => (low + 0.13, high + 0.13),
        }
    }

    /// How far a target lies outside the reach.
    fn miss(&self, target: f64) -> f64 {
        let (low, high) = self.reach();
        (low - target).max(target - high).max(0.0)
    }
}

/// Swaps what items show, pair by pair, as long as that brings targets nearer to what can be reached; where every target
/// is in reach the order stays as it was drawn.
fn bring_into_reach(casts: &mut [Cast], targets: &[f64]) {
    let miss = |cast: &Cast, place: usize| cast.miss(targets.get(place).copied().unwrap_or(0.0));
    loop {
        let mut swapped = false;
        for i in 1..casts.len() {
            for j in 0..i {
                let now = miss(&casts[i], i) + miss(&casts[j], j);
                if miss(&casts[i], j) + miss(&casts[j], i) < now - 1e-9 {
                    casts.swap(i, j);
                    swapped = true;
                }
            }
        }
        if !swapped {
            return;
        }
    }
}

fn plan_item(
    random: &mut Random,
    author: &Author,
    kinds: &[QuestionKind],
    index: usize,
    cast: Cast,
    target: f64,
) -> ItemPlan {
    let seed = random.next_u64();
    let coincident = cast.distractor == Some(Distractor::CoincidentWheelSpeed);
    let free = [
        (SensorMode::ContaminatedStill, 35.0),
        (SensorMode::CleanStill, 25.0),
        (SensorMode::ContaminatedTurning, 15.0),
        (SensorMode::CleanTurning, 25.0),
    ];
    let drawn_mode = random.weighted(&free, SensorMode::CleanStill);
    let turning = [(SensorMode::CleanTurning, 70.0), (SensorMode::ContaminatedTurning, 30.0)];
    let turning_mode = random.weighted(&turning, SensorMode::CleanTurning);
    let order = [1.0, 2.0, 3.0][random.below(3)];
    ItemPlan {
        id: format!("item-{:02}", index + 1),
        pattern: cast.pattern,
        distractor: cast.distractor,
        target,
        seed,
        electrical_hz: random.log_uniform(ELECTRICAL_HZ.0, ELECTRICAL_HZ.1),
        sensor_mode: if coincident { turning_mode } else { drawn_mode },
        machine_given: match (author.machine_data, random.chance(0.5)) {
            (MachineData::Given, _) | (MachineData::Mixed, true) => true,
            (MachineData::Withheld, _) | (MachineData::Mixed, false) => false,
        },
        pulses_per_m: PULSES_PER_M[random.below(PULSES_PER_M.len())],
        kinds: kinds_of_item(random, kinds, author.questions_per_item, index),
        shuffle_seed: random.next_u64(),
        coincidence: (order, random.uniform(-0.01, 0.01)),
    }
}

/// Kinds of question that the goals ask for.
fn asked(author: &Author) -> Vec<QuestionKind> {
    QuestionKind::OF_A_CAPTURE.into_iter().filter(|k| author.goals.contains(&k.goal())).collect()
}

/// The pattern question stands on every item; the others take turns, so that every kind comes up equally often.
fn kinds_of_item(random: &mut Random, kinds: &[QuestionKind], most: usize, index: usize) -> Vec<QuestionKind> {
    let (first, mut rest): (Vec<_>, Vec<_>) = kinds.iter().partition(|k| **k == QuestionKind::ChoosePattern);
    let count = most.saturating_sub(first.len()).min(rest.len());
    if !rest.is_empty() {
        let start = index * count % rest.len();
        rest.rotate_left(start);
    }
    rest.truncate(count);
    shuffle(random, &mut rest);
    first.into_iter().chain(rest).take(most).collect()
}

/// Targets of difficulty from the easiest to the hardest.
#[allow(clippy::cast_precision_loss, reason = "at most 60 items")]
fn targets(author: &Author) -> Vec<f64> {
    let last = (author.count.max(2) - 1) as f64;
    let span = author.difficulty.to - author.difficulty.from;
    (0..author.count).map(|i| author.difficulty.from + span * i as f64 / last).collect()
}

/// Each entry of the list in turn until there are `count`, then shuffled.
fn shared_out<T: Clone>(random: &mut Random, list: &[T], count: usize) -> Vec<T> {
    let mut order: Vec<T> = list.to_vec();
    shuffle(random, &mut order);
    let mut out: Vec<T> = order.iter().cloned().cycle().take(count).collect();
    shuffle(random, &mut out);
    out
}

#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "at most 60 items"
)]
fn plan_distractors(random: &mut Random, author: &Author, patterns: &[String]) -> Vec<Option<Distractor>> {
    let wanted = (author.distractor_share * patterns.len() as f64).round() as usize;
    let with = if author.distractors.is_empty() { 0 } else { wanted };
    let mut slots: Vec<bool> = (0..patterns.len()).map(|i| i < with).collect();
    shuffle(random, &mut slots);
    let mut turn = shared_out(random, &author.distractors, with);
    slots
        .into_iter()
        .zip(patterns)
        .map(|(slot, pattern)| {
            let place = slot.then(|| turn.iter().position(|d| fits(*d, pattern))).flatten()?;
            Some(turn.remove(place))
        })
        .collect()
}

/// A machine that does not deliver has no ripple to clip or to coincide with, and a switched load makes one of its own.
fn fits(distractor: Distractor, pattern: &str) -> bool {
    let needs_ripple =
        matches!(distractor, Distractor::ClippedRange | Distractor::CoincidentWheelSpeed | Distractor::SwitchedLoad);
    pattern != "not_charging" || !needs_ripple
}

/// Fisher and Yates.
pub(super) fn shuffle<T>(random: &mut Random, list: &mut [T]) {
    for i in (1..list.len()).rev() {
        list.swap(i, random.below(i + 1));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn author() -> Author {
        Author::from_json(
            r#"{"title": "t", "seed": 5, "count": 24, "goals": ["tell_patterns", "read_level", "keep_parts"],
                "patterns": ["healthy", "open_diode", "not_charging"], "distractors": ["clipped_range", "ramp"],
                "difficulty": {"from": 0.1, "to": 0.5}, "order": "rising", "questions_per_item": 2}"#,
        )
        .unwrap()
    }

    #[test]
    fn patterns_and_distractors_are_shared_out_evenly() {
        let plans = plan(&author());
        let count = |word: &str| plans.iter().filter(|p| p.pattern == word).count();
        assert_eq!((count("healthy"), count("open_diode"), count("not_charging")), (8, 8, 8));
        assert!(plans.iter().filter(|p| p.distractor.is_some()).count() >= 11);
        assert!(!plans.iter().any(|p| p.pattern == "not_charging" && p.distractor == Some(Distractor::ClippedRange)));
        assert!(plans.windows(2).all(|w| w[0].target < w[1].target));
    }

    #[test]
    fn targets_are_brought_into_reach() {
        let plans = plan(&Author { seed: 8, ..author() });
        for p in &plans {
            let cast = Cast { pattern: p.pattern.clone(), distractor: p.distractor };
            if p.distractor == Some(Distractor::ClippedRange) {
                assert!(p.target >= 0.2, "{}", p.target);
            }
            assert!(cast.miss(p.target) < 0.3);
        }
        let cast = |pattern: &str, distractor| Cast { pattern: pattern.into(), distractor };
        let mut casts = [cast("healthy", Some(Distractor::ClippedRange)), cast("open_diode", None)];
        bring_into_reach(&mut casts, &[0.15, 0.5]);
        assert_eq!(casts[0].pattern, "open_diode");
        // In reach either way: left as drawn.
        let mut casts = [cast("open_phase", None), cast("open_diode", None)];
        bring_into_reach(&mut casts, &[0.2, 0.3]);
        assert_eq!(casts[0].pattern, "open_phase");
    }

    #[test]
    fn what_is_asked_does_not_depend_on_the_pattern() {
        let other = Author { patterns: vec!["open_phase".into(), "imbalance".into(), "healthy".into()], ..author() };
        let kinds = |a: &Author| plan(a).into_iter().map(|p| p.kinds).collect::<Vec<_>>();
        assert_eq!(kinds(&author()), kinds(&other));
        assert!(kinds(&author()).iter().all(|k| k.len() == 2 && k[0] == QuestionKind::ChoosePattern));
    }

    #[test]
    fn another_seed_gives_another_order() {
        let words = |seed| plan(&Author { seed, ..author() }).into_iter().map(|p| p.pattern).collect::<Vec<_>>();
        assert_eq!(words(5), words(5));
        assert_ne!(words(5), words(6));
    }
}
