//! Words of the worksheets: stories, questions, options. All of an item's texts follow from what a technician knows.

use super::question::QuestionKind;

/// The option that stands for "the capture does not tell".
pub(super) const CANNOT: (&str, &str) = ("cannot_be_determined", "This cannot be determined from this capture.");

/// A code and its text.
pub(super) type Option2 = (&'static str, &'static str);

pub(super) const PATTERNS: [Option2; 8] = [
    ("healthy", "A sound rectifier."),
    ("open_diode", "One diode does not conduct."),
    ("shorted_diode", "One diode conducts both ways."),
    ("open_phase", "One phase delivers nothing."),
    ("two_open_diodes", "Two diodes of different phases do not conduct."),
    ("imbalance", "Unequal pulses short of a failed diode: a resistive joint, a weak phase or a leaking diode."),
    ("not_charging", "The alternator does not deliver."),
    CANNOT,
];

pub(super) const EVIDENCE: [Option2; 6] = [
    (
        "only_multiples_of_six",
        "Six equal pulses in a cycle: lines at the sixth order and its multiples, next to nothing below.",
    ),
    ("strong_low_orders_with_odd", "Strong lines below the sixth order, odd ones (first, third) among them."),
    ("even_orders_only", "Strong lines below the sixth order, at even orders only."),
    ("weak_low_orders", "Lines below the sixth order that are weak beside it or about as strong."),
    ("no_ripple", "Nothing that repeats as a rectifier's ripple does."),
    ("not_readable", "The trace is not fit to be read for its shape."),
];

pub(super) const SETTINGS: [Option2; 6] = [
    ("dc_coupling", "Couple channel 1 DC: as set, the charging level is lost."),
    ("larger_range", "Choose a larger range or shift the trace: channel 1 is cut off."),
    ("charging_post", "Move channel 1 to the alternator's output terminal, against its case."),
    ("higher_sample_rate", "Choose a higher sample rate: the pulses are not resolved."),
    ("nothing", "Change nothing: channel 1 can be read as it is for level and pattern."),
    ("lower_sample_rate", "Choose a lower sample rate for a calmer picture."),
];

pub(super) const CONTAMINATED: [Option2; 3] = [
    ("contaminated", "Yes: the sensor's line carries the supply's ripple."),
    ("clean", "No: what the line carries is the sensor's own signal, or nothing."),
    CANNOT,
];

pub(super) const STEPS: [Option2; 5] = [
    (
        "recapture",
        "Capture again at the alternator's output terminal, with the settings put right and a heavy electrical load on.",
    ),
    ("supply_side", "Check belt, fuse link, field supply and charge-lamp circuit."),
    ("bench", "Engine off, battery disconnected: test the diodes and the joints of the stator leads."),
    (
        "intervene",
        "Take the ripple's source away as the vehicle maker allows, and see whether the sensor's line falls silent.",
    ),
    ("sensor", "Test the speed sensor on its own, apart from its harness."),
];

pub(super) const PARTS: [Option2; 5] = [
    ("speed_sensor", "The speed sensor."),
    ("rate_controller", "The rate controller."),
    ("battery", "The battery."),
    ("alternator", "The alternator or its rectifier."),
    ("none", "None of these: all of them may be replaced."),
];

pub(super) const PHASES: [Option2; 5] = [
    ("phase_a", "Phase A."),
    ("phase_b", "Phase B."),
    ("phase_c", "Phase C."),
    ("no_phase", "No phase: the bridge is sound."),
    CANNOT,
];

/// The question in words.
pub(super) fn ask(kind: QuestionKind, pulses_per_m: f64) -> String {
    match kind {
        QuestionKind::ReadLevel => "Which level (mean voltage) does channel 1 show?".into(),
        QuestionKind::ReadRipple => "How large is the ripple on channel 1 over the record, r.m.s. about its mean?".into(),
        QuestionKind::ReadPeakToPeak => "How large is the ripple on channel 1 over the record, peak to peak, the fuzz of the noise left aside?".into(),
        QuestionKind::ReadElectricalHz => "Which electrical frequency does the alternator have, on average over the record?".into(),
        QuestionKind::ChoosePattern => "What does the ripple say of the rectifier? State the evidence as well.".into(),
        QuestionKind::ChooseSetting => "Level and pattern are to be read on channel 1. What is changed first for the next capture?".into(),
        QuestionKind::IsContaminated => "Does the line of the speed sensor (channel 2) carry the ripple of the supply?".into(),
        QuestionKind::ContaminationGain => "How many volts of ripple stand on channel 2 for each volt of ripple at the alternator's output terminal (without sign; 0 for none)?".into(),
        QuestionKind::IndicatedSpeed => format!(
            "Which speed does the rate controller show for what channel 2 carries? It counts a pulse at each falling zero crossing once the signal has risen over a third of its last peak, never less than 30 mV, and takes {pulses_per_m:.0} pulses for a metre."
        ),
        QuestionKind::OrderTests => "Put the next tests in order, the first one first.".into(),
        QuestionKind::KeepParts => "What must not be replaced yet on the strength of this capture? Name all.".into(),
        QuestionKind::NamePhase => "Which phase of the alternator is the trouble in?".into(),
        QuestionKind::Safety => String::new(),
    }
}

/// Options of a question about a capture.
pub(super) fn options(kind: QuestionKind) -> &'static [Option2] {
    match kind {
        QuestionKind::ChoosePattern => &PATTERNS,
        QuestionKind::ChooseSetting => &SETTINGS,
        QuestionKind::IsContaminated => &CONTAMINATED,
        QuestionKind::OrderTests => &STEPS,
        QuestionKind::KeepParts => &PARTS,
        QuestionKind::NamePhase => &PHASES,
        _ => &[],
    }
}

/// The text of a code among all options.
pub(super) fn text_of(code: &str) -> &'static str {
    let lists: [&[Option2]; 7] = [&PATTERNS, &EVIDENCE, &SETTINGS, &CONTAMINATED, &STEPS, &PARTS, &PHASES];
    lists.into_iter().flatten().find(|(c, _)| *c == code).map_or("", |(_, text)| text)
}
