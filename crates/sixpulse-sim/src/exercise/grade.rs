//! Grading: every answer by the published rubric, with a reason for every point lost; every row graded or refused.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::EXERCISE_VERSION;
use super::author::Confidence;
use super::key::{Alias, Answer, Key, KeyQuestion, StepRank};
use super::question::{Choice, QuestionKind};
use super::response::{Quantity, Response, parse_confidence, quantity, says_cannot};
use super::rubric::{ANSWER_SHARE, EVIDENCE_SHARE, RUBRIC_VERSION, kept};
use super::texts::{self, CANNOT};

/// Why a row was not graded.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Refusal {
    /// Stable code: `no_learner`, `unknown_question`, `duplicate_answer`, `unknown_label`, `incomplete_order`,
    /// `not_a_number`, `ambiguous_number`, `not_finite`, `unknown_unit`, or one of the reader's.
    pub code: String,
    /// What was wrong, with what came.
    pub reason: String,
}

impl Refusal {
    pub(super) fn new(code: &str, reason: String) -> Self {
        Self { code: code.into(), reason }
    }
}

impl std::fmt::Display for Refusal {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}: {}", self.code, self.reason)
    }
}

impl std::error::Error for Refusal {}

/// Points lost, and why.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Loss {
    /// Code of the rubric's rule.
    pub code: String,
    /// Points lost by it.
    pub points: f64,
    /// Why, in words that teach.
    pub reason: String,
}

/// One part of a question's points.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Part {
    /// `answer`, `evidence` or `confidence`.
    pub name: String,
    /// Points given.
    pub points: f64,
    /// Points possible.
    pub possible: f64,
}

/// What became of a row.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// It was graded.
    Graded,
    /// It could not be; see the refusal.
    Refused,
    /// The learner gave no answer to this question.
    NotAnswered,
}

/// One answer, graded.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GradedRow {
    /// Row in the file; `None` for a question that was not answered.
    pub row: Option<usize>,
    /// Who.
    pub learner: String,
    /// Which question.
    pub question: String,
    /// What became of it.
    pub outcome: Outcome,
    /// Points given.
    pub points: f64,
    /// Points possible; 0 for a row that belongs to no question.
    pub possible: f64,
    /// Whether the answer itself is right in full.
    pub right: bool,
    /// Whether it could hurt someone.
    pub dangerous: bool,
    /// The points by parts.
    pub parts: Vec<Part>,
    /// A reason for every point lost.
    pub losses: Vec<Loss>,
    /// Why it was refused.
    pub refusal: Option<Refusal>,
    /// What was answered, as understood: codes, or the number in the question's unit.
    pub understood: Option<String>,
    /// Confidence, 0 to 1.
    pub confidence: Option<f64>,
    /// `(confidence - outcome)^2`, 0 (best) to 1.
    pub brier: Option<f64>,
    /// Natural logarithm of the probability given to what came true; `None` for minus infinity too.
    pub log_score: Option<f64>,
}

/// One learner's result.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LearnerResult {
    /// Who.
    pub learner: String,
    /// Points over all questions.
    pub points: f64,
    /// Points possible over all questions.
    pub possible: f64,
    /// `points / possible`.
    pub share: f64,
    /// Questions right in full.
    pub right: usize,
    /// Questions graded.
    pub answered: usize,
    /// Rows refused.
    pub refused: usize,
    /// Dangerous answers.
    pub dangerous: usize,
    /// Mean Brier score over the answers with confidence.
    pub mean_brier: Option<f64>,
    /// Mean confidence less share right over the same answers: above 0 overconfident.
    pub overconfidence: Option<f64>,
}

/// A class, graded.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Grading {
    /// Layout version.
    pub schema_version: u32,
    /// Version of the rubric.
    pub rubric_version: u32,
    /// Learners by name.
    pub learners: Vec<LearnerResult>,
    /// Rows as they came, then what was not answered.
    pub rows: Vec<GradedRow>,
}

/// Share of the confidence part that a confidence keeps: `1 - (confidence - outcome)^2` (Brier, Mon. Weather Rev.
/// 78(1):1-3, 1950, in its two-class form).
///
/// ```
/// use sixpulse_sim::exercise::brier_points;
/// assert_eq!(brier_points(0.5, true), 0.75);
/// assert!((brier_points(0.9, false) - 0.19).abs() < 1e-12);
/// ```
#[must_use]
pub fn brier_points(confidence: f64, right: bool) -> f64 {
    let outcome = if right { 1.0 } else { 0.0 };
    1.0 - (confidence - outcome) * (confidence - outcome)
}

/// Logarithmic score: `ln p` of what came true; `None` where that was called impossible.
#[must_use]
pub fn log_score(confidence: f64, right: bool) -> Option<f64> {
    let p = if right { confidence } else { 1.0 - confidence };
    (p > 0.0).then(|| libm::log(p))
}

/// Grades a class. `roster` names learners that are to appear whether or not they handed anything in.
///
/// No row is lost: each is graded or refused with a reason, and every learner of the rows or the roster has a result
/// over all questions.
#[must_use]
pub fn grade(key: &Key, responses: &[Response], roster: &[String]) -> Grading {
    let questions: BTreeMap<&str, &KeyQuestion> = key.questions.iter().map(|q| (q.question.id.as_str(), q)).collect();
    let asks = key.author.confidence == Confidence::Asked;
    let mut seen: BTreeSet<(String, String)> = BTreeSet::new();
    let mut rows: Vec<GradedRow> = responses.iter().map(|r| row(r, &questions, asks, &mut seen)).collect();
    let learners: BTreeSet<String> = roster
        .iter()
        .map(|name| name.trim().to_owned())
        .chain(rows.iter().map(|r| r.learner.clone()))
        .filter(|name| !name.is_empty())
        .collect();
    for learner in &learners {
        for q in &key.questions {
            let place = (learner.clone(), q.question.id.clone());
            if !seen.contains(&place) {
                rows.push(unanswered(learner, q));
            }
        }
    }
    let results = learners.iter().map(|name| summed(name, &rows, key)).collect();
    Grading { schema_version: EXERCISE_VERSION, rubric_version: RUBRIC_VERSION, learners: results, rows }
}

fn summed(name: &str, rows: &[GradedRow], key: &Key) -> LearnerResult {
    let own: Vec<&GradedRow> = rows.iter().filter(|r| r.learner == name).collect();
    let possible: f64 = key.questions.iter().map(|q| q.question.points).sum();
    let points: f64 = own.iter().map(|r| r.points).sum();
    let scored: Vec<(f64, f64, bool)> = own.iter().filter_map(|r| Some((r.brier?, r.confidence?, r.right))).collect();
    let count = scored.len() as f64;
    let mean = |sum: f64| (count > 0.0).then(|| sum / count);
    let with = |outcome: Outcome| own.iter().filter(|r| r.outcome == outcome).count();
    LearnerResult {
        learner: name.into(),
        points: tidy(points),
        possible,
        share: if possible > 0.0 { tidy(points / possible) } else { 0.0 },
        right: own.iter().filter(|r| r.right).count(),
        answered: with(Outcome::Graded),
        refused: with(Outcome::Refused),
        dangerous: own.iter().filter(|r| r.dangerous).count(),
        mean_brier: mean(scored.iter().map(|s| s.0).sum()),
        overconfidence: mean(scored.iter().map(|s| s.1 - f64::from(u8::from(s.2))).sum()),
    }
}

/// Points to a millionth: sums of decimal shares come out as people write them.
fn tidy(points: f64) -> f64 {
    (points * 1e6).round() / 1e6
}

fn row(
    response: &Response,
    questions: &BTreeMap<&str, &KeyQuestion>,
    asks: bool,
    seen: &mut BTreeSet<(String, String)>,
) -> GradedRow {
    let (learner, id) = (response.learner.trim(), response.question.trim());
    let mut blank = empty(response.row, learner, id);
    if learner.is_empty() {
        return turned_away(blank, Refusal::new("no_learner", "the row names no learner".into()));
    }
    let Some(question) = questions.get(id) else {
        return turned_away(blank, Refusal::new("unknown_question", format!("\"{id}\" is no question of this set")));
    };
    blank.possible = question.question.points;
    if response.answer.trim().is_empty() {
        // Counts as not answered; a later row with an answer still counts.
        blank.outcome = Outcome::NotAnswered;
        blank.possible = 0.0;
        return blank;
    }
    if seen.contains(&(learner.to_owned(), id.to_owned())) {
        blank.possible = 0.0;
        let reason = format!("\"{id}\" was answered in an earlier row; the first answer counts");
        return turned_away(blank, Refusal::new("duplicate_answer", reason));
    }
    seen.insert((learner.to_owned(), id.to_owned()));
    match judged(response, question) {
        Ok(verdict) => finished(blank, response, question, asks, verdict),
        Err(refusal) => {
            blank.losses.push(Loss {
                code: "not_answered".into(),
                points: question.question.points,
                reason: format!("The answer could not be read ({refusal})."),
            });
            turned_away(blank, refusal)
        }
    }
}

fn empty(row: usize, learner: &str, question: &str) -> GradedRow {
    GradedRow {
        row: Some(row),
        learner: learner.into(),
        question: question.into(),
        outcome: Outcome::Refused,
        points: 0.0,
        possible: 0.0,
        right: false,
        dangerous: false,
        parts: Vec::new(),
        losses: Vec::new(),
        refusal: None,
        understood: None,
        confidence: None,
        brier: None,
        log_score: None,
    }
}

fn turned_away(mut row: GradedRow, refusal: Refusal) -> GradedRow {
    row.refusal = Some(refusal);
    row
}

fn unanswered(learner: &str, q: &KeyQuestion) -> GradedRow {
    let mut row = empty(0, learner, &q.question.id);
    row.row = None;
    row.outcome = Outcome::NotAnswered;
    row.possible = q.question.points;
    row.losses.push(Loss {
        code: "not_answered".into(),
        points: q.question.points,
        reason: format!("No answer. Right is: {} {}", right_words(q), q.explanation),
    });
    row
}

/// What an answer is worth, before points are shared out.
struct Verdict {
    /// Share of the answer's (or name's) points.
    share: f64,
    /// Rule and reason where the share is below 1.
    fault: Option<(&'static str, String)>,
    /// Share of the evidence's points with the fault; `None` where no evidence is asked.
    evidence: Option<(f64, Option<(&'static str, String)>)>,
    dangerous: bool,
    understood: String,
}

impl Verdict {
    fn right(understood: String) -> Self {
        Self { share: 1.0, fault: None, evidence: None, dangerous: false, understood }
    }
    fn wrong(code: &'static str, share: f64, reason: String, understood: String) -> Self {
        Self { share, fault: Some((code, reason)), evidence: None, dangerous: false, understood }
    }
}

/// Shares the points out and writes the losses down.
fn finished(mut row: GradedRow, response: &Response, q: &KeyQuestion, asks: bool, verdict: Verdict) -> GradedRow {
    row.outcome = Outcome::Graded;
    row.right = verdict.share >= 1.0;
    row.dangerous = verdict.dangerous;
    row.understood = Some(verdict.understood);
    let total = q.question.points;
    let answer = if asks { ANSWER_SHARE * total } else { total };
    let name = if verdict.evidence.is_some() { (1.0 - EVIDENCE_SHARE) * answer } else { answer };
    credit(&mut row, "answer", name, verdict.share, verdict.fault);
    if let Some((share, fault)) = verdict.evidence {
        credit(&mut row, "evidence", answer - name, share, fault);
    }
    if asks {
        confidence(&mut row, response, total - answer);
    }
    row.points = tidy(row.parts.iter().map(|p| p.points).sum());
    row
}

fn credit(row: &mut GradedRow, name: &str, possible: f64, share: f64, fault: Option<(&'static str, String)>) {
    let points = tidy(share * possible);
    row.parts.push(Part { name: name.into(), points, possible: tidy(possible) });
    if let Some((code, reason)) = fault {
        row.losses.push(Loss { code: code.into(), points: tidy(possible - points), reason });
    }
}

fn confidence(row: &mut GradedRow, response: &Response, possible: f64) {
    let missing = |reason: String| (0.0, Some(("confidence_missing", reason)));
    let right = row.right;
    let (share, fault) = match parse_confidence(&response.confidence) {
        Ok(Some(c)) => {
            row.confidence = Some(c);
            row.brier = Some(1.0 - brier_points(c, right));
            row.log_score = log_score(c, right);
            let share = brier_points(c, right);
            (share, (share < 1.0).then(|| ("confidence_off", off(c, right))))
        }
        Ok(None) => {
            missing("No confidence was stated; even 50 % would have brought three quarters of these points.".into())
        }
        Err(refusal) => missing(refusal.reason),
    };
    credit(row, "confidence", possible, share, fault);
}

fn off(confidence: f64, right: bool) -> String {
    let percent = 100.0 * confidence;
    if right {
        format!("The answer is right and was given with {percent:.0} %: trust the evidence as far as it goes.")
    } else {
        format!(
            "The answer is not right and was given with {percent:.0} %: say how sure you are, not how sure you wish to be."
        )
    }
}

fn judged(response: &Response, q: &KeyQuestion) -> Result<Verdict, Refusal> {
    match &q.answer {
        Answer::Number { value, tolerance, aliases } => number(response, q, *value, *tolerance, aliases),
        Answer::CannotBeDetermined => undetermined(response, q),
        Answer::Choice { code, evidence, dangerous } => choice(response, q, code, evidence, dangerous),
        Answer::Order { steps } => order(response, q, steps),
        Answer::Set { codes } => set(response, q, codes),
    }
}

fn undetermined(response: &Response, q: &KeyQuestion) -> Result<Verdict, Refusal> {
    match quantity(&response.answer, &response.unit, q.question.kind)? {
        Quantity::Cannot => Ok(Verdict::right(CANNOT.0.into())),
        _ => {
            let reason = format!("This capture does not tell. {}", q.explanation);
            Ok(Verdict::wrong("determined_claimed", kept("determined_claimed"), reason, response.answer.trim().into()))
        }
    }
}

fn number(
    response: &Response,
    q: &KeyQuestion,
    value: f64,
    tolerance: f64,
    aliases: &[Alias],
) -> Result<Verdict, Refusal> {
    let unit = q.question.unit.clone().unwrap_or_default();
    let wrong = |code: &'static str, lead: String, understood: String| {
        Verdict::wrong(code, kept(code), format!("{lead} {}", q.explanation), understood)
    };
    let given = match quantity(&response.answer, &response.unit, q.question.kind)? {
        Quantity::Value(x) => x,
        Quantity::Cannot => {
            return Ok(wrong("undetermined_claimed", "This capture does tell.".into(), CANNOT.0.into()));
        }
        Quantity::WrongUnit => {
            let lead = format!("The unit belongs to another quantity; {unit} was asked.");
            return Ok(wrong("wrong_unit", lead, response.answer.trim().into()));
        }
    };
    let said = format!("{} {unit}", super::rounded(given, 6));
    // The key's numbers are rounded; half a unit of their last digit must not decide.
    let limit = tolerance * (1.0 + 1e-9);
    let distance = (given - value).abs();
    if distance <= limit {
        return Ok(Verdict::right(said));
    }
    if distance <= 2.0 * limit {
        let lead = format!("{said} is close: within twice the tolerance of {tolerance} {unit}.");
        return Ok(wrong("close", lead, said));
    }
    match slip(given, value, tolerance, aliases, q.question.kind) {
        Some(code) => {
            let lead = format!("{said}: {}", lesson(code));
            Ok(wrong(code, lead, said))
        }
        None => {
            let lead = format!("{said} lies outside {value} +- {tolerance} {unit}.");
            Ok(wrong("outside_tolerance", lead, said))
        }
    }
}

/// The slip that explains a number, the simplest first.
fn slip(given: f64, value: f64, tolerance: f64, aliases: &[Alias], kind: QuestionKind) -> Option<&'static str> {
    // A slip's number is read as finely as the right one.
    let share = if value == 0.0 { 0.0 } else { (tolerance / value.abs()).min(0.15) };
    let near = |x: f64, target: f64| target != 0.0 && (x - target).abs() <= share * target.abs();
    let factors: &[(&'static str, f64)] = match kind {
        QuestionKind::IndicatedSpeed => &[("wrong_speed_unit", 3.6), ("wrong_speed_unit", 1.609_344)],
        QuestionKind::ContaminationGain => {
            &[("percent_slip", 100.0), ("percent_slip", 0.01), ("unit_slip", 1e3), ("unit_slip", 1e-3)]
        }
        _ => &[("unit_slip", 1e3), ("unit_slip", 1e-3)],
    };
    if let Some((code, _)) = factors.iter().find(|(_, f)| near(given * f, value)) {
        return Some(code);
    }
    let known = |code: &str| super::rubric::RULES.iter().find(|(c, _, _)| *c == code).map(|(c, _, _)| *c);
    if let Some(alias) = aliases.iter().find(|a| near(given, a.value)) {
        return known(&alias.code);
    }
    let twice = aliases.iter().any(|a| factors.iter().any(|(_, f)| kept(&a.code) > 0.0 && near(given * f, a.value)));
    twice.then_some("two_slips")
}

/// What a slip teaches.
fn lesson(code: &str) -> &'static str {
    match code {
        "unit_slip" => "the digits are right, the unit is not; 1 V is 1000 mV. Write the unit down with every reading.",
        "wrong_speed_unit" => "right in another unit of speed; 1 m/s is 3.6 km/h, 1 mph is 1.61 km/h.",
        "percent_slip" => "right but for a hundred: 0.3 V/V is 30 %.",
        "peak_to_peak_for_rms" => "that is the peak-to-peak value; r.m.s. was asked.",
        "rms_for_peak_to_peak" => "that is the r.m.s. value; peak to peak was asked.",
        "factor_of_two" => "right but for a factor of two: peak and peak to peak are different numbers.",
        "sine_rule" => "worked out as for a sine; ripple is no sine, so 2.83 does not hold.",
        "pulses_for_cycle" => "that is a multiple of the electrical frequency: six pulses make one electrical cycle.",
        "level_for_ripple" => "that is the level; ripple is what rides on it.",
        "two_slips" => "two slips at once: the kind of value and the unit.",
        _ => "not right.",
    }
}

/// The option that a word names: its label or its code.
fn option_of<'a>(word: &str, options: &'a [Choice]) -> Option<&'a Choice> {
    let plain = word.trim().trim_matches(['.', ')', '(']).to_lowercase();
    options
        .iter()
        .find(|o| o.label == plain || o.code == plain)
        .or_else(|| says_cannot(&plain).then(|| options.iter().find(|o| o.code == CANNOT.0)).flatten())
}

/// Labels or codes, separated by commas, semicolons, blanks, `>` or not at all (`bdac`).
fn options_of<'a>(text: &str, options: &'a [Choice]) -> Result<Vec<&'a Choice>, Refusal> {
    let mut words: Vec<String> = text
        .split([',', ';', ' ', '>', '/', '|', '\t'])
        .map(|w| w.trim().to_owned())
        .filter(|w| !w.is_empty() && w != "-")
        .collect();
    if let [only] = words.as_slice()
        && option_of(only, options).is_none()
        && only.chars().all(|c| c.is_ascii_alphabetic())
    {
        words = only.chars().map(String::from).collect();
    }
    let mut found: Vec<&Choice> = Vec::new();
    for word in &words {
        let Some(option) = option_of(word, options) else { return Err(unknown_label(word, options)) };
        if !found.contains(&option) {
            found.push(option);
        }
    }
    Ok(found)
}

fn unknown_label(word: &str, options: &[Choice]) -> Refusal {
    let labels: Vec<&str> = options.iter().map(|o| o.label.as_str()).collect();
    Refusal::new("unknown_label", format!("\"{word}\" is none of {}", labels.join(", ")))
}

fn choice(
    response: &Response,
    q: &KeyQuestion,
    code: &str,
    evidence: &[String],
    dangerous: &[String],
) -> Result<Verdict, Refusal> {
    let Some(chosen) = option_of(&response.answer, &q.question.options) else {
        return Err(unknown_label(response.answer.trim(), &q.question.options));
    };
    let mut verdict = if chosen.code == code {
        Verdict::right(chosen.code.clone())
    } else {
        let (rule, share, lead) = wrong_option(q.question.kind, &chosen.code, code, dangerous);
        let reason = format!("{lead}Right is: {} {}", right_words(q), q.explanation);
        Verdict::wrong(rule, share, reason, chosen.code.clone())
    };
    verdict.dangerous = dangerous.contains(&chosen.code);
    if !evidence.is_empty() {
        verdict.evidence = Some(evidence_credit(response, q, evidence)?);
    }
    Ok(verdict)
}

/// Rule, share kept and first words for an option that is not right.
fn wrong_option(
    kind: QuestionKind,
    chosen: &str,
    right: &str,
    dangerous: &[String],
) -> (&'static str, f64, &'static str) {
    if dangerous.iter().any(|d| d == chosen) {
        return ("dangerous_choice", 0.0, "This could hurt someone. ");
    }
    if right == CANNOT.0 {
        return ("determined_claimed", 0.0, "This capture does not tell. ");
    }
    if chosen == CANNOT.0 {
        return ("undetermined_claimed", 0.0, "This capture does tell. ");
    }
    if kind != QuestionKind::ChoosePattern {
        return ("wrong_choice", 0.0, "");
    }
    const GROUPS: [&[&str]; 3] = [
        &["open_diode", "two_open_diodes", "shorted_diode"],
        &["open_phase", "two_open_diodes"],
        &["healthy", "imbalance"],
    ];
    if GROUPS.iter().any(|g| g.contains(&chosen) && g.contains(&right)) {
        return ("near_miss", kept("near_miss"), "Close: both belong to one group. ");
    }
    match (chosen, right) {
        (_, "healthy") => ("healthy_condemned", 0.0, "A sound rectifier was condemned. "),
        ("healthy", _) => ("fault_missed", 0.0, "A fault was passed over. "),
        _ => ("wrong_choice", 0.0, ""),
    }
}

type EvidenceCredit = (f64, Option<(&'static str, String)>);

fn evidence_credit(response: &Response, q: &KeyQuestion, right: &[String]) -> Result<EvidenceCredit, Refusal> {
    let words: Vec<&str> = right.iter().map(|c| texts::text_of(c)).collect();
    if response.evidence.trim().is_empty() {
        return Ok((0.0, Some(("evidence_missing", format!("No evidence was named. It was: {}", words.join(" "))))));
    }
    let chosen = options_of(&response.evidence, &q.question.evidence)?;
    let hits = chosen.iter().filter(|c| right.contains(&c.code)).count();
    let others = chosen.len() - hits;
    let share = if hits == 0 { 0.0 } else { (1.0 - 0.5 * others as f64).max(0.0) };
    let fault = (share < 1.0).then(|| ("wrong_evidence", format!("The evidence was: {}", words.join(" "))));
    Ok((share, fault))
}

/// Share of the pairs of different rank that stand in order, less those that do not; not below 0.
fn order_share(given: &[&str], steps: &[StepRank]) -> f64 {
    let rank = |code: &str| steps.iter().find(|s| s.code == code).map_or(0, |s| s.rank);
    let (mut in_order, mut pairs) = (0.0_f64, 0.0_f64);
    for (i, first) in given.iter().enumerate() {
        for second in given.iter().skip(i + 1) {
            let (a, b) = (rank(first), rank(second));
            if a != b {
                pairs += 1.0;
                in_order += if a < b { 1.0 } else { -1.0 };
            }
        }
    }
    if pairs > 0.0 { (in_order / pairs).max(0.0) } else { 1.0 }
}

fn order(response: &Response, q: &KeyQuestion, steps: &[StepRank]) -> Result<Verdict, Refusal> {
    let chosen = options_of(&response.answer, &q.question.options)?;
    if chosen.len() < steps.len() {
        let reason = format!("{} of {} steps were named", chosen.len(), steps.len());
        return Err(Refusal::new("incomplete_order", reason));
    }
    let codes: Vec<&str> = chosen.iter().map(|c| c.code.as_str()).collect();
    let share = order_share(&codes, steps);
    let understood = codes.join(",");
    if share >= 1.0 {
        return Ok(Verdict::right(understood));
    }
    let reason = format!("{} Right is: {}", q.explanation, right_words(q));
    Ok(Verdict::wrong("wrong_order", share, reason, understood))
}

fn set(response: &Response, q: &KeyQuestion, codes: &[String]) -> Result<Verdict, Refusal> {
    let chosen = options_of(&response.answer, &q.question.options)?;
    let hits = chosen.iter().filter(|c| codes.contains(&c.code)).count();
    let extra = chosen.len() - hits;
    let share = ((hits as f64 - extra as f64) / codes.len().max(1) as f64).max(0.0);
    let understood = chosen.iter().map(|c| c.code.as_str()).collect::<Vec<_>>().join(",");
    if share >= 1.0 {
        return Ok(Verdict::right(understood));
    }
    let reason = format!("{} Right is: {}", q.explanation, right_words(q));
    Ok(Verdict::wrong("wrong_set", share, reason, understood))
}

/// The right answer in words.
fn right_words(q: &KeyQuestion) -> String {
    let option = |code: &str| {
        q.question.options.iter().find(|o| o.code == code).map_or(String::new(), |o| format!("{}) {}", o.label, o.text))
    };
    match &q.answer {
        Answer::Number { value, tolerance, .. } => {
            format!("{value} +- {tolerance} {}.", q.question.unit.clone().unwrap_or_default())
        }
        Answer::CannotBeDetermined => CANNOT.1.into(),
        Answer::Choice { code, .. } => option(code),
        Answer::Set { codes } => codes.iter().map(|c| option(c)).collect::<Vec<_>>().join(" "),
        Answer::Order { steps } => {
            let mut sorted: Vec<&StepRank> = steps.iter().collect();
            sorted.sort_by_key(|s| s.rank);
            let lowest = sorted.first().map_or(0, |s| s.rank);
            let first: Vec<String> = sorted.iter().filter(|s| s.rank == lowest).map(|s| option(&s.code)).collect();
            let rest: Vec<String> = sorted.iter().filter(|s| s.rank > lowest).map(|s| option(&s.code)).collect();
            format!("first {} Then {}", first.join(" or "), rest.join(" "))
        }
    }
}
