use super::*;

const RATES: [f64; 6] = [5e3, 10e3, 20e3, 50e3, 100e3, 1e6];
const RANGES: [f64; 7] = [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 20.0];

fn tractor() -> Task {
    Task::new(Machine::new(Some(6), Some(2.7), 6).unwrap(), (700.0, 2500.0), 12, None).unwrap()
}

fn requirement(plan: &Plan, code: RequirementCode) -> &Requirement {
    plan.requirements.iter().find(|r| r.code == code).unwrap()
}

fn view(plan: &Plan, code: ViewCode) -> bool {
    plan.views.iter().find(|v| v.code == code).unwrap().available
}

#[test]
fn settings_follow_from_the_sampling_theorem_and_the_range() {
    let scope = Instrument::new(8, 100_000, &RATES, &RANGES, Some(5.0), 1.0, 2).unwrap();
    let made = plan(&tractor(), &scope);
    // 8 bits over the 19 V that level and fault need make steps of 156 mV: the ripple would vanish.
    assert_eq!(made.coupling, Coupling::Ac);
    assert_eq!(made.feasibility, Feasibility::Full, "{:#?}", made.requirements);
    for r in &made.recordings {
        assert!(12.0 * r.electrical_hz_high <= 0.4 * r.sample_rate_hz, "{r:?}");
        assert!(r.samples <= 100_000 && r.cycles >= 9.0);
        assert!(RATES.contains(&r.sample_rate_hz));
    }
    let idle = &made.recordings[0];
    assert_eq!((idle.full_scale_input_v, idle.step_v), (Some(5.0), Some(10.0 / 256.0)));
    // The largest healthy ripple of 189 Hz, 0.158 V r.m.s., stays within 0.53 V: the 1 V range.
    assert_eq!(idle.finer_full_scale_input_v, Some(1.0));
    assert_eq!(made.recordings.iter().filter(|r| r.purpose == Purpose::Level).count(), 1);
}

#[test]
fn fine_converters_need_no_ac_coupling() {
    let scope = Instrument::new(14, 1_000_000, &RATES, &RANGES, Some(5.0), 1.0, 2).unwrap();
    let made = plan(&tractor(), &scope);
    assert_eq!(made.coupling, Coupling::Dc);
    assert!(made.recordings.iter().all(|r| r.purpose != Purpose::Level && r.full_scale_v == Some(20.0)));
}

#[test]
fn a_slow_instrument_fails_by_the_factor_of_the_sampling_theorem_and_shows_the_meter_view() {
    let scope = Instrument::new(12, 100_000, &[1000.0], &RANGES, Some(5.0), 1.0, 1).unwrap();
    let made = plan(&tractor(), &scope);
    assert_eq!(made.feasibility, Feasibility::NotPossible);
    let rate = requirement(&made, RequirementCode::SampleRate);
    assert_eq!(rate.outcome, RequirementOutcome::Failed);
    // 12 x 675 Hz / 0.4 = 20 250 S/s against 1000.
    assert!((rate.short_by.unwrap() - 20.25).abs() < 1e-9);
    assert!(view(&made, ViewCode::Meter) && !view(&made, ViewCode::LowOrders) && !view(&made, ViewCode::Pattern));
    assert!(made.recordings.iter().filter(|r| r.purpose == Purpose::Ripple).all(|r| !r.reads_pattern));
}

#[test]
fn between_order_three_and_order_six_only_the_low_orders_are_left() {
    // 0.4 x 6 kS/s = 2400 Hz: above 3 x 675, below 6 x 675.
    let scope = Instrument::new(12, 100_000, &[6000.0], &RANGES, Some(5.0), 1.0, 2).unwrap();
    let made = plan(&tractor(), &scope);
    assert!(view(&made, ViewCode::LowOrders) && !view(&made, ViewCode::Pattern));
}

#[test]
fn short_memory_loses_the_ramp_then_the_cycles() {
    let scope = |n| Instrument::new(12, n, &RATES, &RANGES, Some(5.0), 1.0, 2).unwrap();
    let some = plan(&tractor(), &scope(2500));
    assert_eq!(some.feasibility, Feasibility::Limited);
    assert_eq!(requirement(&some, RequirementCode::Ramp).outcome, RequirementOutcome::Limited);
    assert!(view(&some, ViewCode::Pattern) && !view(&some, ViewCode::Ramp));
    let none = plan(&tractor(), &scope(60));
    assert_eq!(requirement(&none, RequirementCode::RecordLength).outcome, RequirementOutcome::Failed);
    assert!(!view(&none, ViewCode::Pattern) && !view(&none, ViewCode::Meter));
}

#[test]
fn coarse_steps_and_small_ranges_are_told_apart() {
    let coarse = Instrument::new(8, 100_000, &RATES, &[50.0], None, 1.0, 2).unwrap();
    let made = plan(&tractor(), &coarse);
    assert_eq!(requirement(&made, RequirementCode::Resolution).outcome, RequirementOutcome::Failed);
    assert_eq!(requirement(&made, RequirementCode::FullScale).outcome, RequirementOutcome::Met);
    let small = Instrument::new(12, 100_000, &RATES, &[0.5], Some(5.0), 1.0, 2).unwrap();
    let made = plan(&tractor(), &small);
    let range = requirement(&made, RequirementCode::FullScale);
    assert_eq!((range.outcome, range.short_by), (RequirementOutcome::Failed, Some(6.0)));
    // A 10:1 probe makes 5 V of it.
    let probed = Instrument::new(12, 100_000, &RATES, &[0.5], Some(5.0), 10.0, 2).unwrap();
    assert_ne!(plan(&tractor(), &probed).feasibility, Feasibility::NotPossible);
}

#[test]
fn a_high_corner_droops_and_a_probe_lowers_it() {
    let droop = |attenuation| {
        let scope = Instrument::new(8, 100_000, &RATES, &RANGES, Some(40.0), attenuation, 2).unwrap();
        requirement(&plan(&tractor(), &scope), RequirementCode::CouplingDroop).clone()
    };
    // 189 Hz over 40 Hz is 4.7 corners: below the seven that lose one per cent.
    assert_eq!(droop(1.0).outcome, RequirementOutcome::Limited);
    assert!((droop(1.0).value - 4.725).abs() < 1e-9);
    assert_eq!(droop(10.0).outcome, RequirementOutcome::Met);
}

#[test]
fn unknown_machines_are_planned_for_the_usual_span_and_say_so() {
    let task = Task::new(Machine::default(), (700.0, 700.0), 12, None).unwrap();
    let scope = Instrument::new(12, 1_000_000, &RATES, &RANGES, Some(5.0), 1.0, 1).unwrap();
    let made = plan(&task, &scope);
    // 700 / 60 x 1.8 x 6 and 700 / 60 x 3.2 x 8.
    let idle = &made.recordings[0];
    assert!((idle.electrical_hz_low - 126.0).abs() < 1e-9 && (idle.electrical_hz_high - 298.667).abs() < 1e-2);
    assert_eq!(made.assumptions.len(), 3);
    assert_eq!((made.feasibility, made.connections.len()), (Feasibility::Limited, 1));
    assert!(made.recordings.iter().all(|r| r.purpose != Purpose::Ramp), "one speed makes no ramp");
}

#[test]
fn values_outside_their_domain_are_refused_by_name() {
    let task = |rpm, v, order| Task::new(Machine::default(), rpm, v, order).unwrap_err();
    assert_eq!(task((50.0, 700.0), 12, None).parameter(), "engine_rpm_low");
    assert_eq!(task((800.0, 700.0), 12, None).parameter(), "engine_rpm_high");
    assert_eq!(task((700.0, f64::NAN), 12, None).parameter(), "engine_rpm_high");
    assert_eq!(task((700.0, 800.0), 48, None).parameter(), "system_v");
    assert_eq!(task((700.0, 800.0), 12, Some(25)).parameter(), "highest_order");
    let scope = |bits, n, rates: &[f64], ranges: &[f64], corner, probe, channels| {
        Instrument::new(bits, n, rates, ranges, corner, probe, channels).unwrap_err().parameter().to_owned()
    };
    assert_eq!(scope(3, 100, &RATES, &RANGES, None, 1.0, 1), "bits");
    assert_eq!(scope(8, 1, &RATES, &RANGES, None, 1.0, 1), "memory_samples");
    assert_eq!(scope(8, 100, &[], &RANGES, None, 1.0, 1), "sample_rates_hz");
    assert_eq!(scope(8, 100, &RATES, &[-1.0], None, 1.0, 1), "ranges_v");
    assert_eq!(scope(8, 100, &RATES, &RANGES, Some(0.0), 1.0, 1), "ac_corner_hz");
    assert_eq!(scope(8, 100, &RATES, &RANGES, None, 0.5, 1), "probe_attenuation");
    assert_eq!(scope(8, 100, &RATES, &RANGES, None, 1.0, 0), "channels");
}
