//! Exercises: what is built holds, gives nothing away, comes out the same again; what cannot be built says why.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test may fail")]

use sixpulse::rectifier::Pattern;
use sixpulse::{RawSamples, Trace};
use sixpulse_sim::exercise::{Answer, Author, Exercise, Outcome, QuestionKind, Response, build, build_on, grade};
use sixpulse_sim::scenario::simulate;

fn author(change: impl Fn(&mut Author)) -> Author {
    let mut author = Author::from_json(
        r#"{"title": "Three captures", "seed": 90210, "count": 3, "questions_per_item": 12, "safety_questions": 1,
            "goals": ["tell_patterns", "read_level", "measure_ripple", "electrical_cycle", "settings_and_points",
                      "contamination", "indicated_speed", "next_tests", "keep_parts", "limits_of_the_capture", "safety"],
            "patterns": ["healthy", "open_diode", "not_charging"], "distractors": ["wrong_coupling", "clipped_range"],
            "distractor_share": 0.7, "samples": 5000, "difficulty": {"from": 0.2, "to": 0.5, "within": 0.25}}"#,
    )
    .unwrap();
    change(&mut author);
    author
}

fn counts(trace: &Trace) -> Vec<i16> {
    match trace.raw() {
        RawSamples::I16 { counts, .. } => counts.clone(),
        _ => panic!("counts are kept"),
    }
}

/// A learner who gives the right answer to everything, as labels and numbers.
fn perfect(exercise: &Exercise, name: &str) -> Vec<Response> {
    let answered = |q: &sixpulse_sim::exercise::KeyQuestion| {
        let label = |codes: &[String], options: &[sixpulse_sim::exercise::Choice]| {
            options.iter().filter(|o| codes.contains(&o.code)).map(|o| o.label.clone()).collect::<Vec<_>>().join(",")
        };
        let (answer, evidence) = match &q.answer {
            Answer::Number { value, .. } => (value.to_string(), String::new()),
            Answer::CannotBeDetermined => ("cannot".into(), String::new()),
            Answer::Choice { code, evidence, .. } => {
                (label(std::slice::from_ref(code), &q.question.options), label(evidence, &q.question.evidence))
            }
            Answer::Set { codes } => (label(codes, &q.question.options), String::new()),
            Answer::Order { steps } => {
                let mut sorted = steps.clone();
                sorted.sort_by_key(|s| s.rank);
                (sorted.iter().map(|s| s.code.clone()).collect::<Vec<_>>().join(" > "), String::new())
            }
        };
        Response {
            learner: name.into(),
            question: q.question.id.clone(),
            answer,
            evidence,
            confidence: "100 %".into(),
            ..Response::default()
        }
    };
    exercise.key.questions.iter().map(answered).collect()
}

#[test]
fn a_set_holds_gives_nothing_away_and_comes_out_again() {
    let made = build(&author(|_| {})).unwrap();

    // The same shape for every capture, whatever it shows.
    assert_eq!(made.captures.len(), 3);
    for capture in &made.captures {
        let names: Vec<&str> = capture.traces().iter().map(|(n, _)| n.as_str()).collect();
        assert_eq!(names, ["channel_1", "channel_2"]);
        assert!(capture.traces().iter().all(|(_, t)| counts(t).len() == 5000 && t.coupling_corner_hz().is_none()));
        assert!(capture.engine_rpm().is_none() && capture.sample_rate_hz() == 50_000.0);
    }

    // The question set holds neither seed nor scenario nor a word that only the truth has.
    let learner = serde_json::to_string(&made.questions).unwrap();
    for word in
        ["90210", "truth", "scenario", "seed", "\"answer\":", "\"tolerance\":", "distractor", "difficulty", "sub_kind"]
    {
        assert!(!learner.contains(word), "{word}");
    }

    // Every item asks the same kinds, whatever is true of it.
    let kinds = |item: &str| {
        let mut kinds: Vec<String> = made
            .questions
            .questions
            .iter()
            .filter(|q| q.item.as_deref() == Some(item))
            .map(|q| format!("{:?}", q.kind))
            .collect();
        kinds.sort();
        kinds
    };
    assert_eq!(kinds("item-01"), kinds("item-02"));
    assert_eq!(kinds("item-01"), kinds("item-03"));
    assert_eq!(kinds("item-01").len(), 12);

    // What is marked as not determinable is so for a reason that stands in the scenario.
    let unreadable: Vec<_> = made.key.items.iter().filter(|i| !i.pattern_determinable).collect();
    assert_eq!(unreadable.len(), 1);
    assert!(unreadable[0].truth.traces.iter().any(|t| t.name == "post" && t.clipped > 50));
    for item in made.key.items.iter().filter(|i| i.pattern == Pattern::NotCharging) {
        let contaminated = made
            .key
            .questions
            .iter()
            .find(|q| q.question.item.as_deref() == Some(&item.id) && q.question.kind == QuestionKind::IsContaminated)
            .unwrap();
        assert!(matches!(&contaminated.answer, Answer::Choice { code, .. } if code == "cannot_be_determined"));
    }

    // Each item lies where it was wished, and its scenario gives its capture count for count.
    for (item, capture) in made.key.items.iter().zip(&made.captures) {
        assert!((item.difficulty.value - item.target).abs() <= 0.25);
        let (again, _) = simulate(&item.scenario).unwrap();
        assert_eq!(counts(again.trace("post").unwrap()), counts(capture.trace("channel_1").unwrap()));
    }

    // The same wishes give the same set.
    assert_eq!(build_on(&author(|_| {}), std::num::NonZeroUsize::new(3).unwrap()).unwrap(), made);

    // Who answers everything right loses nothing.
    let grading = grade(&made.key, &perfect(&made, "ada"), &["bo".into()]);
    let ada = &grading.learners[0];
    assert_eq!((ada.learner.as_str(), ada.points, ada.right), ("ada", ada.possible, made.key.questions.len()));
    assert_eq!(ada.possible, 10.0 * made.key.questions.len() as f64);
    assert!(grading.rows.iter().filter(|r| r.learner == "ada").all(|r| r.losses.is_empty()));
    let bo = &grading.learners[1];
    assert_eq!((bo.points, bo.answered), (0.0, 0));
    assert!(grading.rows.iter().filter(|r| r.learner == "bo").all(|r| r.outcome == Outcome::NotAnswered));
}

/// A clean plain healthy bridge is easy; 0.95 is out of its reach.
fn out_of_reach(count: usize, from: f64) -> Author {
    author(|a| {
        a.count = count;
        a.patterns = vec!["healthy".into()];
        a.distractors.clear();
        a.attempts = 6;
        a.difficulty.from = from;
        a.difficulty.to = 0.95;
        a.difficulty.within = 0.01;
    })
}

#[test]
fn the_first_item_that_fails_is_told_whatever_the_threads() {
    // Rising from a difficulty that is reached or not to one that is not: later items fail too.
    let wishes = out_of_reach(4, 0.6);
    let error = build(&wishes).unwrap_err();
    assert_eq!(error.code(), "not_recoverable");
    for threads in [2, 4, 9] {
        let threads = std::num::NonZeroUsize::new(threads).unwrap();
        assert_eq!(build_on(&wishes, threads).unwrap_err().to_string(), error.to_string());
    }
}

#[test]
fn what_cannot_be_built_says_why() {
    let error = build(&out_of_reach(1, 0.95)).unwrap_err();
    assert_eq!((error.code(), error.parameter()), ("not_recoverable", "item-01"));
    let text = error.to_string();
    assert!(text.contains("6 draws") && text.contains("healthy"), "{text}");
}
