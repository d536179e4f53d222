//! Where the leads go, what to change between two captures, and the cautions.

use super::{Instrument, Task};
use crate::severity::{BatteryCondition, healthy_range};
use crate::trace::{Role, words};

/// Where a lead goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
#[non_exhaustive]
pub enum Place {
    /// The alternator's output terminal.
    ChargingPost,
    /// The alternator's bare metal case.
    AlternatorCase,
    /// The sensor's signal wire, at the controller that reads it.
    SensorSignal,
    /// The sensor's own return wire, at the same connector.
    SensorReturn,
    /// The battery's positive post.
    BatteryPositive,
    /// The battery's negative post.
    BatteryNegative,
}
words!(Place, "place", "charging_post" => Place::ChargingPost, "alternator_case" => Place::AlternatorCase,
    "sensor_signal" => Place::SensorSignal, "sensor_return" => Place::SensorReturn,
    "battery_positive" => Place::BatteryPositive, "battery_negative" => Place::BatteryNegative);

/// One channel's two leads.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[non_exhaustive]
pub struct Connection {
    /// Channel, from 1.
    pub channel: u32,
    /// Role to give the trace.
    pub role: Role,
    /// Where the tip goes.
    pub tip: Place,
    /// Where the other lead goes.
    pub reference: Place,
    /// Why there.
    pub reason: String,
}

pub(super) fn connections(task: &Task, instrument: &Instrument) -> Vec<Connection> {
    let (hz, _) = task.electrical_hz(task.engine_rpm.0);
    let at = |battery| healthy_range(hz, None, f64::from(task.system_v), battery, BatteryCondition::Ordinary).middle_v;
    let ratio = at(false) / at(true);
    let mut list = vec![Connection {
        channel: 1,
        role: Role::ChargingPost,
        tip: Place::ChargingPost,
        reference: Place::AlternatorCase,
        reason: format!(
            "Both leads at the alternator: the battery holds its own voltage, and at it a sound machine's ripple is {ratio:.1} times smaller at {hz:.0} Hz. \
             Cable and ground strap drop the rest, and a poor strap's drop would be read as ripple."
        ),
    }];
    if instrument.channels() >= 2 {
        list.push(Connection {
            channel: 2,
            role: Role::SpeedSensor,
            tip: Place::SensorSignal,
            reference: Place::SensorReturn,
            reason: "The disturbed circuit as its controller sees it. Inputs with a common ground join both returns: use a differential probe, or one that is isolated.".into(),
        });
    }
    list
}

pub(super) fn intervention() -> Vec<String> {
    [
        "As found: record every step above.",
        "Change the load: engine running, switch headlamps and blower on and off and record both. A rectifier's ripple grows with the current; a disturbance it causes grows with it.",
        "Field unplugged, only where the vehicle maker's procedure allows it: engine off and at rest, unplug the small field connector, never the output cable; start, record at the same speed, for no longer than the record takes; engine off, plug it in again. Ripple gone and disturbance gone together is what proves the cause. Expect the charge lamp and stored fault codes.",
        "Restored: record once more. A disturbance that stays away was something else, such as a connector that was moved.",
    ]
    .map(String::from)
    .into()
}

pub(super) fn cautions(task: &Task) -> Vec<String> {
    let mut list = crate::findings::usual_cautions();
    if task.system_v == 24 {
        list.push(crate::findings::CAUTION_24_V.into());
    }
    list.push("Run at high speed only as long as a record takes, without load on the drive, and never above what the engine's maker allows at rest.".into());
    list
}
