//! The charging level: the mean of a DC-coupled supply trace against the usual window at the battery's temperature.
//!
//! # The window
//!
//! Published service data for a 12 V passenger car's regulator, charging voltage at the battery with the engine running
//! (Mitsubishi Attrage 2018 service data, regulated voltage against temperature, settings of two markets). The window
//! runs from the lower end of the lower setting to the upper end of the higher one, linearly between the temperatures
//! given:
//!
//! | -20 C | 20 C | 60 C | 80 C |
//! |---|---|---|---|
//! | 14.0 - 15.4 V | 13.7 - 14.9 V | 13.2 - 14.6 V | 12.9 - 14.5 V |
//!
//! It is usual, not universal: an energy-managed regulator moves between about 12.2 and 15.5 V on purpose (common
//! practice, from memory), so a level outside the window is a reason to look up the vehicle maker's figure, not a fault.
//! Beyond -20 and 80 C no figure is published, and none is given here.
//!
//! # Other limits
//!
//! - A level of at most [`REST_V`] (per 12 V) is what a charged lead-acid battery shows at rest or a little after; an
//!   alternator that delivers holds it higher (common practice; the same source's lowest figure is 12.9 V at 80 C).
//! - Up to [`SYSTEM_BORDER_V`] the system is taken as 12 V, above it as 24 V, whose window is twice as high: the
//!   ISO 16750-2 operating ranges end at 16 V for 12 V systems (code A to C: 16 V) and a charging 24 V system is above
//!   22 V. Below [`LEAST_V`] and above [`MOST_V`] it is neither.

use crate::trace::{Capture, Coupling, Role, Trace, words};

/// Mean up to which a 12 V system is not being charged, volts; twice that for 24 V.
pub const REST_V: f64 = 12.8;
/// Lowest level taken as a 12 V system, volts (ISO 16750-2, code A: 6 V).
pub const LEAST_V: f64 = 6.0;
/// Border between 12 V and 24 V systems, volts.
pub const SYSTEM_BORDER_V: f64 = 18.0;
/// Highest level taken as a 24 V system, volts: twice the border.
pub const MOST_V: f64 = 36.0;
/// Temperature taken where none was given, degrees Celsius.
pub const USUAL_TEMPERATURE_C: f64 = 20.0;

/// Battery temperature in degrees Celsius, lower and upper end of the window in volts.
const WINDOW: [(f64, f64, f64); 4] = [(-20.0, 14.0, 15.4), (20.0, 13.7, 14.9), (60.0, 13.2, 14.6), (80.0, 12.9, 14.5)];

/// How the charging level compares with the usual window at its temperature.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum LevelVerdict {
    /// At or below what a battery at rest shows.
    NotCharging,
    /// Charging, below the window.
    Low,
    /// Inside the window.
    Within,
    /// Above the window.
    High,
    /// AC coupling hides it, there is no supply trace, or no window is known for it; see the reason.
    Unknown,
}
words!(LevelVerdict, "level", "not_charging" => LevelVerdict::NotCharging, "low" => LevelVerdict::Low,
    "within" => LevelVerdict::Within, "high" => LevelVerdict::High, "unknown" => LevelVerdict::Unknown);

/// The charging level.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct Level {
    /// Name of the trace it was read on; empty when there is none.
    pub trace: String,
    /// Mean voltage over the record; `None` when AC coupling hides it.
    pub mean_v: Option<f64>,
    /// Nominal voltage of the system, 12 or 24, judged from the level.
    pub system_v: Option<f64>,
    /// Lower end of the usual window at that temperature.
    pub window_low_v: Option<f64>,
    /// Upper end.
    pub window_high_v: Option<f64>,
    /// Battery temperature the window is for, degrees Celsius; 20 where none was given.
    pub temperature_c: f64,
    /// The comparison.
    pub verdict: LevelVerdict,
    /// Why the verdict is unknown, where it is.
    pub reason: Option<String>,
}

/// Usual window of the charging voltage of a 12 V system in volts, lower and upper end, at a battery temperature;
/// `None` outside -20 to 80 degrees Celsius.
///
/// ```
/// let (low, high) = sixpulse::level::window_v(40.0).unwrap();
/// assert!((low - 13.45).abs() < 1e-12 && (high - 14.75).abs() < 1e-12);
/// ```
#[must_use]
pub fn window_v(temperature_c: f64) -> Option<(f64, f64)> {
    WINDOW.iter().zip(&WINDOW[1..]).find_map(|(&(cold, low_cold, high_cold), &(warm, low_warm, high_warm))| {
        (cold..=warm).contains(&temperature_c).then(|| {
            let share = (temperature_c - cold) / (warm - cold);
            (low_cold + share * (low_warm - low_cold), high_cold + share * (high_warm - high_cold))
        })
    })
}

/// Reads the level on the charging post, else on the battery post, and compares it with the window.
///
/// Only a DC-coupled trace carries a level; when both posts are DC-coupled the charging post is read.
///
/// ```
/// use sixpulse::level::{LevelVerdict, judge};
/// use sixpulse::{Capture, Coupling, Role, Trace};
/// let post = Trace::from_f64(vec![14.1, 14.3], 10_000.0, Coupling::Dc, Role::ChargingPost)?;
/// let level = judge(&Capture::new(vec![("post".into(), post)])?);
/// assert_eq!((level.verdict, level.system_v), (LevelVerdict::Within, Some(12.0)));
/// # Ok::<(), sixpulse::Error>(())
/// ```
#[must_use]
pub fn judge(capture: &Capture) -> Level {
    let temperature_c = capture.battery_temperature_c().unwrap_or(USUAL_TEMPERATURE_C);
    let mut level = Level {
        trace: String::new(),
        mean_v: None,
        system_v: None,
        window_low_v: None,
        window_high_v: None,
        temperature_c,
        verdict: LevelVerdict::Unknown,
        reason: None,
    };
    let Some((name, trace)) = carrier(capture) else {
        level.reason = Some(match crate::quality::supply_trace(capture) {
            Some(name) => {
                level.trace = name.to_owned();
                format!("AC coupling of \"{name}\" hides the level.")
            }
            None => "No trace is the voltage of the charging post or the battery post.".into(),
        });
        return level;
    };
    level.trace = name.to_owned();
    let mean_v = trace.mean();
    level.mean_v = Some(mean_v);
    compare(&mut level, mean_v);
    level
}

/// The trace that carries the level: a DC-coupled supply voltage, the charging post's before the battery's.
pub(crate) fn carrier(capture: &Capture) -> Option<(&str, &Trace)> {
    let by = |role| {
        let found = |(_, t): &&(String, Trace)| t.role() == role && t.coupling() == Coupling::Dc;
        capture.traces().iter().find(found).map(|(name, trace)| (name.as_str(), trace))
    };
    by(Role::ChargingPost).or_else(|| by(Role::BatteryPost))
}

fn compare(level: &mut Level, mean_v: f64) {
    let scale = match mean_v {
        v if (LEAST_V..=SYSTEM_BORDER_V).contains(&v) => 1.0,
        v if (SYSTEM_BORDER_V..=MOST_V).contains(&v) => 2.0,
        v => {
            level.reason = Some(format!("{v:.2} V is the level of neither a 12 V nor a 24 V system."));
            return;
        }
    };
    level.system_v = Some(12.0 * scale);
    let window = window_v(level.temperature_c).map(|(low, high)| (scale * low, scale * high));
    level.window_low_v = window.map(|(low, _)| low);
    level.window_high_v = window.map(|(_, high)| high);
    level.verdict = match window {
        _ if mean_v <= scale * REST_V => LevelVerdict::NotCharging,
        Some((low, _)) if mean_v < low => LevelVerdict::Low,
        Some((_, high)) if mean_v > high => LevelVerdict::High,
        Some(_) => LevelVerdict::Within,
        None => {
            level.reason = Some(format!("No usual window is published for {} degrees Celsius.", level.temperature_c));
            LevelVerdict::Unknown
        }
    };
}

#[cfg(test)]
mod tests {
    use super::*;

    fn post(volts: f64, coupling: Coupling, role: Role) -> (String, Trace) {
        let samples = vec![volts - 0.2, volts + 0.2, volts];
        (role.to_string(), Trace::from_f64(samples, 1e4, coupling, role).unwrap())
    }

    fn at(volts: f64, temperature_c: f64) -> Level {
        let capture = Capture::new(vec![post(volts, Coupling::Dc, Role::ChargingPost)]).unwrap();
        judge(&capture.with_battery_temperature_c(temperature_c).unwrap())
    }

    #[test]
    fn the_window_meets_the_published_points() {
        for (temperature_c, low, high) in WINDOW {
            assert_eq!(window_v(temperature_c), Some((low, high)));
        }
        assert_eq!(window_v(-20.1), None);
        assert_eq!(window_v(80.1), None);
        // Colder is never lower: the window falls with temperature all the way.
        let ends: Vec<_> = (-20..=80).filter_map(|t| window_v(f64::from(t))).collect();
        assert!(ends.windows(2).all(|w| w[1].0 < w[0].0 && w[1].1 < w[0].1));
    }

    #[test]
    fn verdicts_at_and_between_the_limits() {
        use LevelVerdict::{High, Low, NotCharging, Unknown, Within};
        for (volts, temperature_c, verdict, system) in [
            (12.4, 20.0, NotCharging, Some(12.0)),
            (13.4, 20.0, Low, Some(12.0)),
            (14.2, 20.0, Within, Some(12.0)),
            (15.1, 20.0, High, Some(12.0)),
            (15.1, -20.0, Within, Some(12.0)),
            (13.0, 80.0, Within, Some(12.0)),
            (25.2, 20.0, NotCharging, Some(24.0)),
            (28.4, 20.0, Within, Some(24.0)),
            (30.2, 20.0, High, Some(24.0)),
            (14.2, 95.0, Unknown, Some(12.0)),
            (12.4, 95.0, NotCharging, Some(12.0)),
            (3.3, 20.0, Unknown, None),
            (48.0, 20.0, Unknown, None),
        ] {
            let level = at(volts, temperature_c);
            assert_eq!((level.verdict, level.system_v), (verdict, system), "{volts} V at {temperature_c} C");
            assert_eq!(level.reason.is_some(), verdict == Unknown);
            assert!((level.mean_v.unwrap() - volts).abs() < 1e-12);
        }
    }

    #[test]
    fn the_dc_coupled_supply_is_read_whichever_it_is() {
        let read = |traces| judge(&Capture::new(traces).unwrap());
        let both =
            read(vec![post(13.9, Coupling::Dc, Role::BatteryPost), post(14.2, Coupling::Dc, Role::ChargingPost)]);
        assert_eq!((both.trace.as_str(), both.temperature_c), ("charging_post", 20.0));
        let battery =
            read(vec![post(0.0, Coupling::Ac, Role::ChargingPost), post(13.9, Coupling::Dc, Role::BatteryPost)]);
        assert_eq!(battery.trace, "battery_post");
        let hidden = read(vec![post(0.0, Coupling::Ac, Role::ChargingPost)]);
        assert_eq!((hidden.verdict, hidden.mean_v), (LevelVerdict::Unknown, None));
        assert!(hidden.reason.unwrap().contains("AC coupling"));
        let none = read(vec![post(2.0, Coupling::Dc, Role::SpeedSensor)]);
        assert!(none.trace.is_empty() && none.reason.is_some());
    }
}
