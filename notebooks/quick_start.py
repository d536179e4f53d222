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
# # Quick start: a parked sprayer that shows ground speed
#
# A tractor stands with its engine running; the rate controller of its orchard sprayer shows a ground speed. Two
# channels were captured: the alternator's charging post and the speed sensor. Both captures used here are simulated,
# with known truth (see `python/sixpulse/demo/README.md`).

# %%
import numpy as np

import sixpulse
from sixpulse import demo

sixpulse.__version__

# %% [markdown]
# ## Read
#
# `roles` says what each column was connected to. Sample rate, units and coupling stand in this file; where a file does
# not state them they must be given, for nothing is assumed.

# %%
capture = sixpulse.read(demo.path("parked"), roles=demo.ROLES)
capture

# %% [markdown]
# ## Examine
#
# One call does the whole job. The result is shown in words; every number in it is an attribute.

# %%
found = sixpulse.examine(capture)
found

# %%
print(f"usable: {found.quality.usable}")
print(f"level: {found.level.mean_v:.2f} V")
print(f"ripple: {found.ripple.rms_v:.3f} V rms, {found.ripple.peak_to_peak_v:.2f} V peak to peak")
print(f"electrical frequency: {found.cycle.electrical_hz:.2f} Hz")
print(f"pattern: {found.rectifier.pattern}")

# %% [markdown]
# What is known of the alternator sharpens the verdict: with pole pairs and pulley ratio the engine speed gives the
# electrical frequency, which separates patterns that look alike at multiples of it.

# %%
with_speed = sixpulse.Capture(dict(capture.items()), engine_rpm=1000.0)
informed = sixpulse.examine(with_speed, machine=sixpulse.Machine(pole_pairs=6, pulley_ratio=2.8))
for pattern, probability in sorted(informed.rectifier.probabilities.items(), key=lambda item: -item[1])[:3]:
    print(f"{pattern:18} {found.rectifier.probabilities[pattern]:.2f} without, {probability:.2f} with the engine speed")

# %% [markdown]
# ## The sensor
#
# A wheel at rest makes no signal, so whatever the sensor's wire carries came from elsewhere. The transfer from post to
# sensor is the same over the orders of the ripple, in gain and in delay: that is more than equal frequency.

# %%
speed = found.contamination["speed"]
print(speed.verdict, "-", speed.reason)
print(f"gain {speed.gain_v_per_v:.4f} V/V, delay {1e6 * speed.delay_s:.1f} us")
print(f"explained: {100 * speed.explained_fraction:.1f} % of the power on the sensor's wire")
print(f"own signal: {speed.own_frequency_hz}, a pulse counter would show {speed.indicated_hz:.0f} Hz")

# %%
truth = demo.truth("parked")
assert found.rectifier.pattern == truth["pattern"]
assert speed.verdict == truth["speed"]["verdict"]

# %% [markdown]
# ## What to test next

# %%
for finding in found.findings:
    print(f"[{finding.severity}] {finding.statement}")
    if finding.next_test:
        print(f"    next: {finding.next_test}")

# %% [markdown]
# ## After the repair

# %%
repaired = sixpulse.examine(sixpulse.read(demo.path("repaired"), roles=demo.ROLES))
for name, result in (("parked", found), ("repaired", repaired)):
    sensor = result.contamination["speed"]
    print(f"{name:9} {result.rectifier.pattern:11} ripple {result.ripple.rms_v:.3f} V rms, sensor {sensor.verdict}")

# %% [markdown]
# ## Own samples
#
# Samples need not come from a file. Converter counts keep their type; `scale` and `offset` give them their volts.

# %%
with np.load(demo.counts_path("parked")) as stored:
    post = sixpulse.Trace(
        stored["post"],
        sample_rate_hz=float(stored["sample_rate_hz"]),
        coupling="dc",
        role="charging_post",
        scale=float(stored["post_scale"]),
        offset=float(stored["post_offset"]),
    )
sixpulse.examine(sixpulse.Capture({"post": post})).rectifier.pattern
