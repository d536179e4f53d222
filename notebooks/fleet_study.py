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
# # A fleet study: 500 captures of orchard sprayers
#
# Twenty tractors with orchard sprayers are captured once a fortnight for most of a year, 500 captures in all, at the
# charging post, the battery post and the ground-speed sensor. One of them loses a diode in the middle of that time. The
# captures are made by formula, so the truth is known. From files on the disk to a table with one row for each capture,
# and from the table to what a researcher asks: which vehicle changed and when, what is usual, how well the verdicts
# match the labels, how the two posts compare.

# %%
import datetime as dt
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

import sixpulse
from sixpulse import fleet
from sixpulse.fleet import study

# %% [markdown]
# ## The data set
#
# One row of a Parquet file is one capture: an identity, the sample rate, the coupling, and a list of samples for each
# trace in a column named after its role. Everything else (vehicle, date, label) is carried into the table.

# %%
TRACTORS, FORTNIGHTS, FAULTY, FAULT_FROM = 20, 25, "tractor-5", 12
RATE_HZ, COUNT = 25_000.0, 2_000
rng = np.random.default_rng(20_261_125)


def bridge(angle, *, fault):
    """Output of a three-phase bridge on a resistive load: highest phase that conducts - lowest phase."""
    phases = np.cos(angle - np.array([[0.0], [2.0 * np.pi / 3.0], [4.0 * np.pi / 3.0]]))
    highest = phases[1:].max(axis=0) if fault else phases.max(axis=0)
    ripple = highest - phases.min(axis=0)
    return ripple - ripple.mean()


def capture_row(tractor, fortnight):
    vehicle = f"tractor-{tractor}"
    fault = vehicle == FAULTY and fortnight >= FAULT_FROM
    angle = 2.0 * np.pi * rng.uniform(180.0, 320.0) * np.arange(COUNT) / RATE_HZ
    ripple = rng.normal(0.5 + 0.01 * tractor, 0.02) * bridge(angle, fault=fault)
    passed = 0.55 + 0.02 * (tractor % 3)  # how much of it reaches the battery
    return {
        "capture_id": f"{vehicle}/{fortnight:02d}",
        "vehicle": vehicle,
        "taken_at": dt.datetime(2026, 1, 7, 8) + dt.timedelta(days=14 * fortnight, minutes=3 * tractor),
        "true_pattern": "open_diode" if fault else "healthy",
        "sample_rate_hz": RATE_HZ,
        "coupling": "dc",
        "charging_post": 14.2 + ripple + rng.normal(0.0, 0.004, COUNT),
        "battery_post": 14.0 + passed * ripple + rng.normal(0.0, 0.004, COUNT),
        "speed_sensor": 0.2 * ripple + rng.normal(0.0, 0.004, COUNT),
    }


rows = [capture_row(tractor, fortnight) for tractor in range(TRACTORS) for fortnight in range(FORTNIGHTS)]
rows[17]["charging_post"] = [14.0, None, 14.1]  # one went wrong, as one does
source = Path("captures")
source.mkdir(exist_ok=True)
samples = pa.list_(pa.float64())
schema = pa.schema(
    [("capture_id", pa.string()), ("vehicle", pa.string()), ("taken_at", pa.timestamp("us"))]
    + [("true_pattern", pa.string()), ("sample_rate_hz", pa.float64()), ("coupling", pa.string())]
    + [(role, samples) for role in ("charging_post", "battery_post", "speed_sensor")]
)
pq.write_table(pa.Table.from_pylist(rows, schema=schema), source / "year.parquet", row_group_size=50)

# %% [markdown]
# Files of an oscilloscope are brought to this form by `fleet.convert`, or examined where they lie.
#
# ## Examine all of it
#
# One call. Interrupted, it goes on where it stopped when it is called again; a capture that cannot be examined is a row
# with an error code. For more than one machine, `executor=` takes a Dask client, or any other executor.

# %%
summary = fleet.examine_dataset(source, "table", progress=False)
summary

# %%
assert summary.captures == TRACTORS * FORTNIGHTS
summary.failures

# %%
table = fleet.read_table("table")
frame = table.select(
    ["capture_id", "error_code", "rectifier_pattern", "ripple_rms_v", "cycle_electrical_hz"]
).to_pandas()
frame.iloc[15:20]

# %% [markdown]
# ## Which vehicle changed, and when
#
# The first five orders (root of the sum of their squares) over the sixth: near zero for six equal pulses. A healthy
# tractor is steady; the faulty one steps.

# %%
given = {"value": "rectifier_sub_six_ratio", "time": "taken_at", "vehicle": "vehicle"}
study.trend(table, **given).to_pandas()[["vehicle", "captures", "median", "scatter", "model", "change_count"]]

# %%
(change,) = [one for one in study.change_points(table, **given).to_pylist() if one["vehicle"] == FAULTY]
day = dt.datetime(1970, 1, 1) + dt.timedelta(days=change["first_after_day"])
print(f"{FAULTY}: from {change['level_before']:.2f} to {change['level_after']:.2f}, first seen on {day:%d %B}")
assert day.date() == (dt.datetime(2026, 1, 7) + dt.timedelta(days=14 * FAULT_FROM)).date()

# %%
axes = study.plot.trend(table, name=FAULTY, **given)

# %% [markdown]
# ## What is usual
#
# The range that the middle 95 % of the healthy captures span. Twenty-five captures of a tractor are not twenty-five
# tractors, so the intervals come from drawing whole tractors anew.

# %%
values = ["ripple_rms_v", "ripple_peak_to_peak_v", "level_mean_v"]
ranges = study.healthy_ranges(table, values=values, vehicle="vehicle")
ranges.to_pandas()[["value", "captures", "vehicles", "low", "low_from", "low_to", "high", "high_from", "high_to"]]

# %%
outside = study.outliers(table, ranges).to_pandas()
outside[outside["verdict"] == "outside"][["capture_id", "value", "measured", "high", "distance"]]

# %%
axes = study.plot.healthy_ranges(table, ranges, value="ripple_rms_v")

# %% [markdown]
# ## How well the verdicts match the labels
#
# The probabilities of the patterns that are hard faults, summed, are a score. All positives are of one tractor, so
# an area of 1 shows how it is done and no more: one vehicle cannot say how the next would fare.

# %%
hard = [f"rectifier_probabilities_{p}" for p in ("open_diode", "shorted_diode", "open_phase", "two_open_diodes")]
find = {"score": hard, "label": "true_pattern", "positive": "open_diode"}
study.roc_summary(table, vehicle="vehicle", **find).to_pandas()

# %%
axes = study.plot.roc(table, vehicle="vehicle", **find)

# %%
study.calibration_summary(table, **find).to_pandas()

# %% [markdown]
# ## How the posts compare
#
# The ripple at the battery as a part of that at the charging post, with limits of agreement for a new tractor.

# %%
posts = {"first": "points_battery_rms_v", "second": "points_post_rms_v", "vehicle": "vehicle", "scale": "ratio"}
(said,) = study.agreement(table, **posts).to_pylist()
print(f"battery / post: {said['bias']:.3f} ({said['lower_limit']:.3f} to {said['upper_limit']:.3f})")
assert 0.5 < said["bias"] < 0.65

# %%
axes = study.plot.agreement(table, **posts)

# %% [markdown]
# ## One capture in full
#
# The table points to the capture; the examination has what no table holds.

# %%
row = next(one for one in rows if one["capture_id"] == f"{FAULTY}/{FAULT_FROM:02d}")
traces = {
    role: sixpulse.Trace(row[role], sample_rate_hz=RATE_HZ, coupling="dc", role=role)
    for role in ("charging_post", "battery_post", "speed_sensor")
}
for finding in sixpulse.examine(sixpulse.Capture(traces)).findings[:2]:
    print(f"[{finding.severity}] {finding.statement}")
