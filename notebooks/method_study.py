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
# # A method study on simulated captures, with confidence intervals
#
# How far can a method be trusted? Draw captures with known truth, let the method answer, count. The counts are of a
# sample, so every share comes with an interval. Two methods are compared on the same captures: the pattern by
# `examine`, and a plain r.m.s. limit of 0.3 V as it goes round in the trade. Then a question of one's own: how the
# error of the electrical frequency falls with the length of the record.
#
# The draws are the simulator's documented mix (`sixpulse.simulation`), not a survey of vehicles: what is found here
# holds for that mix.

# %%
import numpy as np
from matplotlib import pyplot
from scipy import stats

import sixpulse

HARD = {"open_diode", "shorted_diode", "open_phase", "two_open_diodes"}
COUNT = 120  # quick to run; thousands for a result that is to be published

# %% [markdown]
# ## Draw and examine
#
# One family, by its seed: member by member the same on every machine.

# %%
rows = []
rng = np.random.default_rng(8)
for made in sixpulse.simulate_family(seed=20_261_128, count=COUNT, pulse_number=6, cycles=30, sample_rate_hz=50_000.0):
    found = sixpulse.examine(made.capture)
    ripple, cycle = found.ripple, found.cycle
    rows.append(
        {
            "truth": made.truth.pattern,
            "kind": made.truth.sub_kind,
            "said": found.rectifier.pattern,
            "hard": sum(found.rectifier.probabilities[name] for name in HARD),
            "rms_v": np.nan if ripple is None else ripple.rms_v,
            "hz": cycle.electrical_hz,
            "true_hz": made.truth.electrical_hz,
        }
    )
truly_hard = np.array([row["truth"] in HARD for row in rows])
healthy = np.array([row["truth"] == "healthy" for row in rows])
print(f"{truly_hard.sum()} hard faults, {healthy.sum()} healthy, {COUNT - truly_hard.sum() - healthy.sum()} others")

# %% [markdown]
# ## A share and its interval
#
# The exact interval of Clopper and Pearson (Biometrika 26, 1934): it covers the true share at least as often as it
# says, also where the count is zero. Zero false alarms among forty is no proof of none.


# %%
def share(hits):
    hits = np.asarray(hits)
    exact = stats.binomtest(int(hits.sum()), hits.size).proportion_ci(0.95, method="exact")
    interval = f"({100 * exact.low:.1f} to {100 * exact.high:.1f} %)"
    return f"{hits.sum():4} of {hits.size:4}: {100 * hits.mean():5.1f} %  {interval}"


by_pattern = np.array([row["said"] in HARD for row in rows])
by_limit = np.array([row["rms_v"] > 0.3 for row in rows])
for name, said in (("pattern", by_pattern), ("0.3 V r.m.s.", by_limit)):
    print(f"{name:13} hard faults found {share(said[truly_hard])}")
    print(f"{'':13} false alarms      {share(said[healthy])}")
assert by_pattern[truly_hard].mean() > by_limit[truly_hard].mean()

# %% [markdown]
# ## Is the difference more than chance?
#
# Both methods saw the same captures, so only those count on which they differ (McNemar, Psychometrika 12, 1947; the
# exact form is a binomial test).

# %%
right_pattern = by_pattern == truly_hard
right_limit = by_limit == truly_hard
judged = truly_hard | healthy
only_pattern = int((right_pattern & ~right_limit)[judged].sum())
only_limit = int((~right_pattern & right_limit)[judged].sum())
test = stats.binomtest(only_pattern, only_pattern + only_limit, 0.5)
print(f"right by the pattern alone {only_pattern}, by the limit alone {only_limit}: p = {test.pvalue:.1g}")
assert test.pvalue < 1e-3

# %% [markdown]
# ## Where a limit fails
#
# The r.m.s. values of healthy and faulty machines overlap: the battery, the cable and the load move them more than a
# diode does. A threshold in the middle of the overlap misses faults and convicts sound machines.

# %%
rms = np.array([row["rms_v"] for row in rows])
figure, axes = pyplot.subplots(figsize=(7, 3), layout="constrained")
for chosen, name, style in ((healthy, "healthy", "-"), (truly_hard, "hard fault", "--")):
    ordered = np.sort(rms[chosen & np.isfinite(rms)])
    axes.plot(ordered, np.arange(1, ordered.size + 1) / ordered.size, style, label=name, drawstyle="steps-post")
axes.axvline(0.3, color="0.4", lw=0.8)
axes.set(xscale="log", xlabel="r.m.s. ripple at the charging post, V (line: 0.3 V)", ylabel="share below", ylim=(0, 1))
_ = axes.legend(frameon=False)

# %% [markdown]
# ## Are the probabilities what they claim to be?
#
# Captures sorted by the stated probability of a hard fault; in each group the share that truly has one, with its exact
# interval, should hold the mean of the stated.

# %%
stated = np.array([row["hard"] for row in rows])
for low, high in ((0.0, 0.02), (0.02, 0.5), (0.5, 0.98), (0.98, 1.001)):
    group = (stated >= low) & (stated < high)
    if group.any():
        print(f"stated {low:4.2f} to {min(high, 1):4.2f}, mean {stated[group].mean():.3f}: {share(truly_hard[group])}")

# %% [markdown]
# ## The error of the frequency against the length of the record
#
# One machine at a steady speed, recorded longer and longer. The theory of a single line in white noise has the standard
# error fall as the length to the power of -3/2 (Rife and Boorstyn, IEEE Trans. Inf. Theory 20, 1974); an engine's speed
# wanders, so beyond some length the error of "the" frequency of a record is that of the mean of the wander. The
# interval of the median error is drawn by the bootstrap.

# %%
lengths = (10, 20, 40)
errors = {}
for cycles in lengths:
    family = sixpulse.simulate_family(
        seed=5, count=12, pattern="healthy", pulse_number=6, cycles=cycles, electrical_hz=220.0, sample_rate_hz=50_000.0
    )
    pairs = [(sixpulse.examine(made.capture).cycle.electrical_hz, made.truth.electrical_hz) for made in family]
    errors[cycles] = np.array([abs(hz / truth - 1.0) for hz, truth in pairs if hz is not None])
    middle = stats.bootstrap((errors[cycles],), np.median, rng=rng, n_resamples=2000).confidence_interval
    print(
        f"{cycles:3} cycles: median error {1e6 * np.median(errors[cycles]):6.0f} ppm "
        f"({1e6 * middle.low:.0f} to {1e6 * middle.high:.0f}), {len(errors[cycles])} of {len(pairs)} found"
    )

# %%
figure, axes = pyplot.subplots(figsize=(7, 3), layout="constrained")
axes.boxplot([100 * errors[n] for n in lengths], tick_labels=[str(n) for n in lengths])
_ = axes.set(xlabel="electrical cycles in the record", ylabel="error of the frequency, %", yscale="log")

# %% [markdown]
# ## What was not studied
#
# The mix has its own ranges: whoever asks about one make of machine draws with `Scenario.draw(..., **overrides)` or
# gives the circuit itself. Measured captures are not simulated ones; what the library scored on captures of another
# simulator and on recorded three-phase voltages stands in the validation pages.
