//! Building a set: draw, examine, compose, check, and redraw until every item holds.

use std::num::NonZeroUsize;
use std::sync::atomic::{AtomicUsize, Ordering};

use sixpulse::Capture;
use sixpulse::many::each;

use super::author::{Author, Goal};
use super::compose;
use super::item::attempt;
use super::key::{Key, KeyItem, KeyQuestion, Rejection};
use super::plan::{ItemPlan, plan};
use super::question::QuestionSet;
use super::rubric::rubric;
use super::{EXERCISE_VERSION, item};
use crate::error::{Error, Result};

/// A set of exercises.
#[derive(Debug, Clone, PartialEq)]
pub struct Exercise {
    /// For the learner; holds no truth.
    pub questions: QuestionSet,
    /// For the learner: one capture for each item, all of the same shape.
    pub captures: Vec<Capture>,
    /// For the trainer.
    pub key: Key,
}

/// Builds the set that an author wishes for, one item after the other; see [`build_on`] for several at once.
///
/// Every item is drawn (member 0, 1, 2 ... of its own family) until the library recovers its truth within the
/// tolerances given to the learner; what was drawn in vain stands in [`Key::rejections`] with its reason.
///
/// ```
/// use sixpulse_sim::exercise::{Author, build};
/// let author = Author::from_json(r#"{"title": "Levels", "seed": 3, "count": 1, "goals": ["read_level"],
///     "patterns": ["healthy"], "difficulty": {"from": 0.3, "to": 0.3, "within": 0.3}}"#)?;
/// let exercise = build(&author)?;
/// assert_eq!(exercise.captures.len(), 1);
/// assert_eq!(exercise.key.questions.len(), exercise.questions.questions.len());
/// # Ok::<(), sixpulse_sim::Error>(())
/// ```
///
/// # Errors
/// As [`Author::check`]; [`Error::NotRecoverable`] when an item was rejected on every draw, with the commonest reason.
pub fn build(author: &Author) -> Result<Exercise> {
    build_on(author, NonZeroUsize::MIN)
}

/// As [`build`], with items drawn on `threads` threads, the caller's among them: the same set whatever their number.
///
/// Each thread holds one simulation at a time, some 80 MB for 200,000 samples.
///
/// ```
/// use sixpulse_sim::exercise::{Author, build, build_on};
/// let author = Author::from_json(r#"{"title": "Levels", "seed": 3, "count": 2, "goals": ["read_level"],
///     "patterns": ["healthy"], "difficulty": {"from": 0.3, "to": 0.3, "within": 0.3}}"#)?;
/// assert_eq!(build_on(&author, std::num::NonZeroUsize::new(2).unwrap())?, build(&author)?);
/// # Ok::<(), sixpulse_sim::Error>(())
/// ```
///
/// # Errors
/// As [`build`]; where several items fail, that of the first in the learner's order.
pub fn build_on(author: &Author, threads: NonZeroUsize) -> Result<Exercise> {
    author.check()?;
    let plans = plan(author);
    // Items behind one that failed are not needed, those before it decide which error is told.
    let failed = AtomicUsize::new(usize::MAX);
    let held = each(plans.len(), threads, |i| {
        let plan = plans.get(i).filter(|_| i < failed.load(Ordering::Relaxed))?;
        let held = hold(author, plan);
        if held.is_err() {
            failed.fetch_min(i, Ordering::Relaxed);
        }
        Some(held)
    });
    let mut made = Made::default();
    for (plan, held) in plans.iter().zip(held) {
        // None comes behind an error alone.
        let Some(held) = held else { break };
        made.take(plan, held?);
    }
    if author.goals.contains(&Goal::Safety) {
        made.questions.extend(compose::safety(author));
    }
    Ok(made.exercise(author))
}

#[derive(Default)]
struct Made {
    sheets: Vec<super::question::ItemSheet>,
    captures: Vec<Capture>,
    items: Vec<KeyItem>,
    questions: Vec<KeyQuestion>,
    rejections: Vec<Rejection>,
}

/// An item that holds, its questions, and what was drawn for it in vain.
struct Held {
    situation: item::Situation,
    questions: Vec<KeyQuestion>,
    rejections: Vec<Rejection>,
}

/// Draws until an item holds.
fn hold(author: &Author, plan: &ItemPlan) -> Result<Held> {
    let mut rejections = Vec::new();
    for draw in 0..author.attempts {
        let tried =
            attempt(author, plan, draw).and_then(|s| compose::questions(plan, &s).map(|questions| (s, questions)));
        match tried {
            Ok((situation, questions)) => return Ok(Held { situation, questions, rejections }),
            Err(refused) => rejections.push(Rejection {
                item: plan.id.clone(),
                draw,
                code: refused.code.into(),
                reason: refused.reason,
            }),
        }
    }
    Err(Error::NotRecoverable {
        parameter: plan.id.clone(),
        limit: author.attempts,
        reason: commonest(plan, &rejections),
    })
}

impl Made {
    fn take(&mut self, plan: &ItemPlan, held: Held) {
        let Held { situation: s, questions, rejections } = held;
        let draw = rejections.len();
        self.rejections.extend(rejections);
        self.items.push(KeyItem {
            id: plan.id.clone(),
            pattern: s.truth.pattern,
            distractor: s.distractor,
            pattern_determinable: s.determinable(),
            difficulty: s.difficulty,
            target: plan.target,
            draws: draw + 1,
            scenario: s.scenario,
            truth: s.truth,
        });
        self.sheets.push(s.sheet);
        self.captures.push(s.capture);
        self.questions.extend(questions);
    }

    fn exercise(self, author: &Author) -> Exercise {
        let questions = QuestionSet {
            schema_version: EXERCISE_VERSION,
            library_version: sixpulse::VERSION.into(),
            title: author.title.clone(),
            goals: author.goals.clone(),
            confidence: author.confidence,
            sample_rate_hz: author.sample_rate_hz,
            samples: author.samples,
            cautions: CAUTIONS.map(String::from).into(),
            items: self.sheets,
            questions: self.questions.iter().map(|q| q.question.clone()).collect(),
            rubric: rubric(),
        };
        let key = Key {
            schema_version: EXERCISE_VERSION,
            library_version: sixpulse::VERSION.into(),
            author: author.clone(),
            items: self.items,
            questions: self.questions,
            rejections: self.rejections,
        };
        Exercise { questions, captures: self.captures, key }
    }
}

/// The reason met most often, with an example.
fn commonest(plan: &ItemPlan, rejections: &[Rejection]) -> String {
    let count = |code: &str| rejections.iter().filter(|r| r.code == code).count();
    let Some(most) = rejections.iter().max_by_key(|r| count(&r.code)) else { return "no draw".into() };
    let with = plan.distractor.map_or(String::new(), |d| format!(" with {d:?}"));
    format!(
        "{}{with}, difficulty {:.2}: {} on {} of {} draws, such as: {}",
        plan.pattern,
        plan.target,
        most.code,
        count(&most.code),
        rejections.len(),
        most.reason
    )
}

/// Cautions that stand on every worksheet.
const CAUTIONS: [&str; 7] = [
    "The vehicle maker's procedure, local rules and licensed practice come before anything said here.",
    "Never disconnect the battery, the alternator or a test lead of the charging circuit while the engine runs: the load dump can reach 100 V.",
    "The alternator's output terminal is live with the engine off, usually without a fuse. Use a fused or differential probe; an earthed oscilloscope clip on it is a dead short.",
    "Keep hair, clothing and leads clear of belt and fan; take off watches, rings and chains.",
    "Run the engine only with ventilation or extraction; parking brake set, in neutral.",
    "Lead-acid batteries give off hydrogen: no sparks at the posts, eyes protected.",
    "On hybrid and electric vehicles stay off the orange cables.",
];
