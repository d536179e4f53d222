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
# # A capture read by hand
#
# The parked sprayer once more, step by step with NumPy and SciPy, each step beside what `sixpulse.examine` says. The
# library's formulae are not used: where the two agree, they agree on the capture. Where a plain method falls short, the
# difference shows why the library takes a longer way.

# %%
import numpy as np
from matplotlib import pyplot
from scipy import signal

import sixpulse
from sixpulse import demo

capture = sixpulse.read(demo.path("parked"), roles=demo.ROLES)
found = sixpulse.examine(capture)
rate_hz = capture.sample_rate_hz
post, speed = capture["post"].values(), capture["speed"].values()
time_s = np.arange(post.size) / rate_hz


def beside(what, by_hand, library, unit, *, within):
    """Print both figures; they must agree within this part of the library's."""
    print(f"{what:32} {by_hand:12.6g} by hand {library:12.6g} examine  {unit}")
    assert abs(by_hand - library) <= within * abs(library), what


# %% [markdown]
# ## 1. Is it fit to read?
#
# How many steps of the converter the record spans, and whether it sits at the ends of the range. Steps are seen in the
# samples themselves: the smallest difference between two values that occur.

# %%
values = np.unique(post)
step_v = np.diff(values).min()
print(f"one step {1e3 * step_v:.2f} mV; the record spans {np.ptp(post) / step_v:.0f} steps")
at_the_ends = np.mean((post == post.min()) | (post == post.max()))
print(f"{100 * at_the_ends:.3f} % of the samples at the ends: a clipped record has many")
print("examine:", "fit" if found.quality.usable else "not fit", [issue.code for issue in found.quality.issues])

# %% [markdown]
# ## 2. The level
#
# The mean over whole electrical cycles; over a quarter of a second the part of a cycle left over moves it by far less
# than the window is wide.

# %%
beside("level", post.mean(), found.level.mean_v, "V", within=1e-3)

# %% [markdown]
# ## 3. AC coupling
#
# A first-order high-pass at 5 Hz. Run forward only, as an instrument's input does it, it starts from the level and
# needs a while to forget it; forward and backward it keeps the phase. The record is short beside the filter's time
# constant of 32 ms, so it matters how it is thought to go on beyond its ends: turned about its end point (SciPy's
# habit, made for signals with a trend) or mirrored (the library's rule: ripple has no trend, and where in a pulse the
# record happens to end should not tilt it).

# %%
corner_hz = found.ripple.corner_hz
b, a = signal.butter(1, corner_hz, btype="highpass", fs=rate_hz)
forward = signal.lfilter(b, a, post)
turned = signal.filtfilt(b, a, post, padlen=post.size // 2)
mirrored = signal.filtfilt(b, a, post, padtype="even", padlen=post.size - 1)
library = sixpulse.ac_couple(post, sample_rate_hz=rate_hz, corner_hz=corner_hz, method="zero_phase")

figure, axes = pyplot.subplots(figsize=(7, 3), layout="constrained")
axes.plot(1e3 * time_s, forward, color="0.6", lw=0.5, label="forward only")
axes.plot(1e3 * time_s, mirrored, color="#0072B2", lw=0.5, label="both ways, mirrored")
axes.set(xlabel="time, ms", ylabel="voltage, V", ylim=(-1.5, 4))
axes.legend(frameon=False)
print(f"greatest difference from the library: turned {np.abs(turned - library).max():.2g} V, ", end="")
print(f"mirrored {np.abs(mirrored - library).max():.2g} V")
assert np.abs(mirrored - library).max() < 1e-3

# %% [markdown]
# ## 4. The ripple numbers
#
# Six numbers go by the name "ripple"; each needs its formula. Peak-to-peak is the least steady: it is two samples.

# %%
ripple = mirrored
beside("peak-to-peak", np.ptp(ripple), found.ripple.peak_to_peak_v, "V", within=0.02)
beside("r.m.s.", ripple.std(), found.ripple.rms_v, "V", within=0.005)
beside("r.m.s. ripple factor", ripple.std() / post.mean(), found.ripple.rms_ripple_factor, "", within=0.005)
beside("crest factor", np.abs(ripple).max() / ripple.std(), found.ripple.crest_factor, "", within=0.02)

# %% [markdown]
# ## 5. The electrical frequency
#
# The largest line of the spectrum, refined by a parabola through its neighbours. Which line it is must be known: here
# the largest is order 1, for a healthy bridge it would be order 6. `examine` weighs all the readings that the lines
# allow; by hand we look.

# %%
window = signal.windows.hann(ripple.size)
spectrum = 2.0 * np.abs(np.fft.rfft(ripple * window)) / window.sum()
frequency_hz = np.fft.rfftfreq(ripple.size, 1.0 / rate_hz)
k = int(spectrum.argmax())
left, top, right = np.log(spectrum[k - 1 : k + 2])
electrical_hz = (k + 0.5 * (left - right) / (left - 2.0 * top + right)) * rate_hz / ripple.size
beside("electrical frequency", electrical_hz, found.cycle.electrical_hz, "Hz", within=2e-3)

figure, axes = pyplot.subplots(figsize=(7, 3), layout="constrained")
axes.semilogy(frequency_hz, spectrum, color="0.3", lw=0.7)
for order in range(1, 13):
    axes.axvline(order * electrical_hz, color="#D55E00", lw=0.6, ls=":")
_ = axes.set(
    xlim=(0, 13 * electrical_hz), ylim=(1e-5, 1), xlabel="frequency, Hz (dotted: orders 1 to 12)", ylabel="V peak"
)

# %% [markdown]
# Engine speeds wander, so the lines of higher orders are wide: order 12 wanders twelve times as far as order 1. Read at
# one fixed frequency, the high orders come out small. So the phase is tracked: order 1 alone, shifted to zero frequency
# and low-passed, is a phasor that turns as the speed wanders.

# %%
turning = ripple * np.exp(-2j * np.pi * electrical_hz * time_s)
smooth = signal.filtfilt(*signal.butter(2, 60.0, fs=rate_hz), turning)
angle = 2.0 * np.pi * electrical_hz * time_s + np.unwrap(np.angle(smooth))
track_hz = np.gradient(angle, time_s) / (2.0 * np.pi)
inside = slice(round(0.02 * rate_hz), -round(0.02 * rate_hz))  # the filter's ends left out
print(f"from {track_hz[inside].min():.2f} to {track_hz[inside].max():.2f} Hz")

# %% [markdown]
# ## 6. The orders
#
# Least squares over the tracked angle: cosine and sine of each order. Beside it the same at one fixed frequency.


# %%
def fitted(y, angle, highest=12):
    orders = np.arange(1, highest + 1)
    basis = np.hstack([np.ones((y.size, 1)), np.cos(np.outer(angle, orders)), np.sin(np.outer(angle, orders))])
    solution = np.linalg.lstsq(basis, y, rcond=None)[0]
    return solution[1 : highest + 1] - 1j * solution[highest + 1 :]


tracked = fitted(ripple[inside], angle[inside])
fixed = fitted(ripple[inside], 2.0 * np.pi * electrical_hz * time_s[inside])
print("order   tracked     fixed   examine, mV")
for order in range(12):
    amplitudes = abs(tracked[order]), abs(fixed[order]), found.cycle.order_amplitudes_v[order]
    print(f"{order + 1:5}" + "".join(f"{1e3 * a:10.2f}" for a in amplitudes))
worst = np.abs(np.abs(tracked) - found.cycle.order_amplitudes_v[:12]).max()
assert worst < 3e-3, "5 mV of noise and the smoothing of the phase leave less than that"

# %% [markdown]
# ## 7. The pattern
#
# Order parity carries the diagnosis: six equal pulses leave orders 6 and 12 alone; a diode that fails fills orders 1,
# 2, 3. S is the root of the sum of the squares of orders 1 to 5, over order 6. Below 0.3 is healthy, above about 6 a
# diode has failed. Which of the faults it is needs phases and shapes, and for that a model with stated probabilities.

# %%
s = np.sqrt(np.sum(np.abs(tracked[:5]) ** 2)) / abs(tracked[5])
beside("sub-six sum S", s, found.rectifier.sub_six_ratio, "", within=0.1)
print("examine:", found.rectifier.pattern, f"{found.rectifier.probabilities['open_diode']:.4f}")

# %% [markdown]
# The mean cycle: samples sorted by electrical angle, averaged in bins of three degrees.

# %%
degrees = np.degrees(angle[inside] - np.angle(tracked[0])) % 360.0
bins = (degrees // 3.0).astype(int)
mean_cycle = np.bincount(bins, ripple[inside]) / np.bincount(bins)
figure, axes = pyplot.subplots(figsize=(7, 3), layout="constrained")
axes.plot(degrees[::3], ripple[inside][::3], ".", color="0.8", ms=1)
axes.plot(1.5 + 3.0 * np.arange(mean_cycle.size), mean_cycle, color="#0072B2")
axes.set(xlabel="electrical degrees", ylabel="voltage, V", xticks=range(0, 361, 60))
beside("mean cycle, peak-to-peak", np.ptp(mean_cycle), found.ripple.synchronous_peak_to_peak_v, "V", within=0.02)

# %% [markdown]
# ## 8. The sensor
#
# The same fit on the sensor's wire; circuit over supply is the transfer. One gain and one delay over many orders is
# more than two signals in step: a straight line of phase over frequency has the delay as its slope.

# %%
sensor = signal.filtfilt(b, a, speed, padtype="even", padlen=speed.size - 1)
at_sensor = fitted(sensor[inside], angle[inside])
transfer = at_sensor / tracked
weight = np.abs(tracked) ** 2
gain = np.sum(weight * np.abs(transfer)) / weight.sum()
orders_hz = electrical_hz * np.arange(1, 13)
phase_rad = np.angle(transfer)
delay_s = -np.sum(weight * orders_hz * phase_rad) / (2.0 * np.pi * np.sum(weight * orders_hz**2))
carried = found.contamination["speed"]
beside("gain", gain, carried.gain_v_per_v, "V/V", within=0.005)
beside("delay", 1e6 * delay_s, 1e6 * carried.delay_s, "us", within=0.1)

# %%
left = sensor[inside] - gain * np.interp(time_s[inside] - delay_s, time_s, ripple)
explained = 1.0 - left.var() / sensor[inside].var()
beside("explained fraction", explained, carried.explained_fraction, "", within=2e-3)

# %% [markdown]
# What a pulse conditioner would count. One kind arms when the signal passes a third of its usual peak and gives a pulse
# at the next crossing of zero downwards, so that noise about zero is not counted. That comes to one pulse for each
# electrical cycle: the display shows the alternator.

# %%
armed = sensor > sensor.max() / 3.0
below = sensor < 0.0
state = np.zeros(sensor.size, dtype=int)
state[armed], state[below] = 1, -1
held = state[np.maximum.accumulate(np.where(state != 0, np.arange(state.size), 0))]
pulses = np.flatnonzero((held[:-1] == 1) & (held[1:] == -1))
counted_hz = (pulses.size - 1) / (time_s[pulses[-1]] - time_s[pulses[0]])
beside("counted", counted_hz, carried.indicated_hz, "Hz", within=0.01)

# %% [markdown]
# And the truth, which neither way has seen: the circuit that made the capture.

# %%
truth = demo.truth("parked")
beside("gain against the circuit", gain, truth["speed"]["gain_v_per_v"], "V/V", within=0.005)
beside("frequency against the circuit", electrical_hz, truth["electrical_hz"], "Hz", within=2e-3)
assert truth["pattern"] == found.rectifier.pattern
