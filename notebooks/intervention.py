# ---
# jupyter:
#   jupytext:
#     text_representation:
#       extension: .py
#       format_name: percent
#   kernelspec:
#     display_name: Python 3
#     language: python
#     name: python3
# ---

# %% [markdown]
# # Contamination, and the intervention that proves it
#
# The sprayer's rate controller shows ground speed while the tractor stands. Three questions: does the sensor's wire
# carry the charging ripple, does the ripple cause the reading, and what would the reading be without it? The circuits
# here are simulated with known truth.
#
# On a vehicle: engine and ignition off before the field connector is unplugged and again before it is plugged in; never
# the battery or the output cable with the engine running. The vehicle maker's procedure comes first.

# %%
import numpy as np

import sixpulse
from sixpulse import contamination, plot

# %% [markdown]
# ## As found
#
# An open diode; the wheel stands; a part of the ripple reaches the sensor's wire through a shared return.

# %%
as_found = sixpulse.Scenario.draw(
    seed=20_261_128,
    member=2,
    pattern="open_diode",
    system_v=12,
    pulse_number=6,
    electrical_hz=200.0,
    cycles=60,
    sensor_mode="contaminated_still",
)
capture, truth = sixpulse.simulate(as_found)
capture

# %%
found = sixpulse.examine(capture)
speed = found.contamination["sensor"]
print(speed.verdict, "-", speed.reason)
print(f"gain {speed.gain_v_per_v:.4f} ± {speed.gain_v_per_v_std:.4f} V/V, truth {truth.sensor.gain_v_per_v:.4f}")
assert speed.verdict == truth.sensor.purity == "contaminated"
assert abs(speed.gain_v_per_v / truth.sensor.gain_v_per_v - 1.0) < 0.03

# %%
axes = plot.sensor_against_supply(capture, found, "sensor")

# %% [markdown]
# Order by order the same gain, and a phase that grows with frequency as one delay has it:

# %%
axes = plot.transfer(found, "sensor")

# %% [markdown]
# ## Why being in step is not enough
#
# Two signals of one frequency are always coherent. A wheel that happens to turn at the frequency of an order moves in
# step with the ripple at that order, and at no other. The library asks for one transfer over several orders.

# %%
rng = np.random.default_rng(3)
RATE_HZ, COUNT = 50_000.0, 25_000
time_s = np.arange(COUNT) / RATE_HZ
phases = np.cos(2 * np.pi * 200 * time_s - np.array([[0.0], [2 * np.pi / 3], [4 * np.pi / 3]]))
ripple = 0.4 * (phases[1:].max(axis=0) - phases.min(axis=0))
common = {"sample_rate_hz": RATE_HZ, "coupling": "dc"}


def trace(volts, role):
    return sixpulse.Trace(volts + rng.normal(0.0, 0.004, COUNT), role=role, **common)


wheel = 0.1 * np.sin(2 * np.pi * 200 * time_s + 0.4)  # in step with order 1, and nothing to do with it
stranger = sixpulse.Capture({"post": trace(13.9 + ripple, "charging_post"), "sensor": trace(wheel, "speed_sensor")})
alone = sixpulse.examine(stranger).contamination["sensor"]
print(alone.verdict, "-", alone.reason)
assert alone.verdict != "contaminated"

# %% [markdown]
# ## What is left without the ripple
#
# A wheel that turns and carries ripple as well: the carried part is subtracted, what is left is the wheel's own.

# %%
turning = 0.15 * np.sin(2 * np.pi * 83 * time_s)
mixed = {"post": trace(13.9 + ripple, "charging_post"), "sensor": trace(turning + 0.2 * ripple, "speed_sensor")}
result = sixpulse.examine(sixpulse.Capture(mixed)).contamination["sensor"]
own = contamination.own_signal(mixed["sensor"], mixed["post"], found=result)
print(f"own {result.own_frequency_hz:.2f} Hz (made: 83), {np.ptp(own):.3f} V peak-to-peak (made: 0.3 and noise)")
counted = contamination.count(mixed["sensor"], mixed["post"], found=result)
print(f"a conditioner counts {counted.indicated_hz:.1f} Hz, without the ripple {counted.without_ripple_hz:.1f} Hz")
constant = contamination.PulseConstant.from_gearing(
    pulses_per_revolution=8, gear_ratio=1.0, rolling_circumference_m=3.1
)
print(f"as ground speed: {constant.speed_km_h(counted.indicated_hz):.0f} km/h for {constant.speed_km_h(83):.0f} km/h")
assert abs(result.own_frequency_hz - 83.0) < 0.2

# %% [markdown]
# ## The intervention
#
# Before; with the field reduced so that a half and a tenth of the ripple is left; after. The ground-speed sensor
# follows the ripple down and comes back with it. A flow meter on the same harness does not: it turns for itself.


# %%
def sprayer(amount):
    return sixpulse.Capture(
        {
            "post": trace(13.0 + amount * (0.9 + ripple), "charging_post"),
            "ground_speed": trace(0.2 * amount * ripple, "speed_sensor"),
            "flow": trace(0.06 * np.sin(2 * np.pi * 83 * time_s), "other"),
        }
    )


ladder = sixpulse.compare_interventions(sprayer(1.0), [sprayer(0.5), sprayer(0.1), sprayer(0.0)], sprayer(1.0))
for name, one in ladder.circuits.items():
    print(f"{name}: {one.verdict} ({one.code})\n    {one.reason}")
assert ladder.circuits["ground_speed"].verdict == "caused_by_charging_ripple"
assert ladder.circuits["flow"].verdict == "not_supported"

# %%
axes = plot.interventions(ladder)

# %% [markdown]
# The dose response: a line through the origin says that the circuit follows the ripple and nothing else. Its slope is
# the gain of the transfer, found a second way; its intervals are 95 %.

# %%
dose = ladder.circuits["ground_speed"].dose_response
print(f"slope {dose.slope_v_per_v:.4f} ({dose.slope_v_per_v_low:.4f} to {dose.slope_v_per_v_high:.4f}) V/V, made 0.2")
print(
    f"without ripple {1e3 * dose.intercept_v:.2f} ({1e3 * dose.intercept_v_low:.2f} to "
    f"{1e3 * dose.intercept_v_high:.2f}) mV"
)
assert dose.slope_v_per_v_low < 0.2 < dose.slope_v_per_v_high

# %% [markdown]
# ## What an intervention must not be read into
#
# The engine was stopped instead of the field being unplugged: everything goes, so nothing is proved.

# %%
stopped = {
    "post": trace(np.full(COUNT, 12.5), "charging_post"),
    "ground_speed": trace(np.zeros(COUNT), "speed_sensor"),
}
off = sixpulse.Capture(stopped, engine_rpm=0.0)
before = sixpulse.Capture({name: sprayer(1.0)[name] for name in stopped}, engine_rpm=800.0)
spoilt = sixpulse.compare_interventions(before, off)
print(spoilt.verdict, "-", spoilt.reason)
assert spoilt.verdict != "caused_by_charging_ripple"
