"""Study tools: against published examples, other libraries, and simulated truth. Fixed seeds throughout."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from sixpulse import errors
from sixpulse.fleet import study

polars = pytest.importorskip("polars")
ruptures = pytest.importorskip("ruptures")
metrics = pytest.importorskip("sklearn.metrics")
calibration_curve = pytest.importorskip("sklearn.calibration").calibration_curve
matplotlib = pytest.importorskip("matplotlib")
matplotlib.use("Agg")


def rng(seed: int = 20_261_125) -> np.random.Generator:
    return np.random.default_rng(seed)


# Trend ----------------------------------------------------------------------------------------------------------------

# Annual flow of the Nile at Aswan 1871 to 1970, 1e8 m3: the series that change-point methods are tried on; the change
# after 1898 is that of G. W. Cobb, "The problem of the Nile", Biometrika 65 (1978) 243-251. From memory; mean and
# standard deviation (919.35 and 169.2) as published with it are checked below.
NILE = """
1120 1160 963 1210 1160 1160 813 1230 1370 1140 995 935 1110 994 1020 960 1180 799 958 1140 1100 1210 1150 1250 1260
1220 1030 1100 774 840 874 694 940 833 701 916 692 1020 1050 969 831 726 456 824 702 1120 1100 832 764 821 768 845 864
862 698 845 744 796 1040 759 781 865 845 944 984 897 822 1010 771 676 649 846 812 742 801 1040 860 874 848 890 744 749
838 1050 918 986 797 923 975 815 1020 906 901 1170 912 746 919 718 714 740
"""


def series(values: Any, vehicle: str = "a", days: Any = None) -> pa.Table:
    values = np.asarray(values, dtype=np.float64)
    days = np.arange(values.size, dtype=np.float64) if days is None else days
    return pa.table({"vehicle": [vehicle] * values.size, "day": days, "x": values})


GIVEN: dict[str, Any] = {"value": "x", "time": "day", "vehicle": "vehicle"}


def test_the_nile_changed_after_1898() -> None:
    flow = np.array(NILE.split(), dtype=np.float64)
    assert flow.size == 100
    assert flow.mean() == pytest.approx(919.35) and flow.std(ddof=1) == pytest.approx(169.2, abs=0.05)
    table = series(flow, days=1871 + np.arange(100))
    (said,) = study.trend(table, **GIVEN).to_pylist()
    assert said["model"] == "step" and said["change_count"] == 1
    (change,) = study.change_points(table, **GIVEN).to_pylist()
    assert (change["last_before_day"], change["first_after_day"]) == (1898, 1899)
    assert flow[:28].mean() == pytest.approx(1098.0, abs=0.5) and flow[28:].mean() == pytest.approx(850.0, abs=0.5)
    assert change["level_before"] == np.median(flow[:28]) and change["level_after"] == np.median(flow[28:])


def noisy(count: int, vehicles: int, shape: Any, seed: int) -> pa.Table:
    noise = rng(seed).normal(0.0, 1.0, (vehicles, count))
    return pa.concat_tables([series(shape + row, f"v{i:04d}") for i, row in enumerate(noise)])


@pytest.mark.parametrize("count", [12, 40])
def test_steady_vehicles_are_called_steady(count: int) -> None:
    """The stated false alarm probability holds: 5 % of 200, within three standard deviations of a binomial."""
    said = study.trend(noisy(count, 200, 0.0, seed=count), false_alarm=0.05, **GIVEN)
    alarms = sum(model != "steady" for model in said["model"].to_pylist())
    assert alarms <= 10 + 3 * np.sqrt(200 * 0.05 * 0.95)
    assert alarms >= 2, "a test that never alarms would not be the one stated"


def test_a_step_is_found_where_it_is() -> None:
    shape = np.where(np.arange(30) < 18, 0.0, 4.0)
    table = noisy(30, 100, shape, seed=1)
    assert study.trend(table, **GIVEN)["model"].to_pylist().count("step") >= 95
    changes = study.change_points(table, **GIVEN).to_pylist()
    # A step of four standard deviations: the most likely place is at most one capture off in nearly all cases.
    assert sum(abs(change["first_after_day"] - 18.0) <= 1.0 for change in changes) >= 93
    assert np.median([change["shift"] for change in changes]) == pytest.approx(4.0, abs=0.2)
    assert np.median([change["shift_in_scatter"] for change in changes]) == pytest.approx(4.0, abs=0.6)


def test_a_drift_is_called_a_drift() -> None:
    table = noisy(30, 100, 0.2 * np.arange(30), seed=2)
    said = study.trend(table, **GIVEN).to_pylist()
    assert sum(one["model"] == "drift" for one in said) >= 95
    inside = sum(one["slope_low_per_day"] <= 0.2 <= one["slope_high_per_day"] for one in said)
    assert inside >= 95 - 3 * np.sqrt(100 * 0.95 * 0.05)
    assert all(one["kendall_p"] < 0.01 for one in said)


def test_odd_captures_are_no_change() -> None:
    values = rng(3).normal(0.0, 1.0, 30)
    values[[7, 21]] += [40.0, -25.0]
    assert study.trend(series(values), **GIVEN)["model"].to_pylist() == ["steady"]


def test_two_changes_and_little_to_say() -> None:
    shape = np.repeat([0.0, 6.0, 1.0], 12)
    table = pa.concat_tables(
        [noisy(36, 1, shape, seed=4), series([1.0, 2.0, 3.0], "few"), series(np.full(9, 2.5), "same")]
    )
    said = {one["vehicle"]: one for one in study.trend(table, **GIVEN).to_pylist()}
    assert said["v0000"]["change_count"] == 2
    assert said["few"]["model"] is None and said["few"]["captures"] == 3
    assert said["same"]["model"] == "steady" and said["same"]["scatter"] == 0.0
    at = study.change_points(table, **GIVEN)["first_after_day"].to_pylist()
    assert at == pytest.approx([12, 24], abs=1)
    # The segmentation is the optimal one: exhaustive dynamic programming finds the same.
    values = table["x"].to_numpy()[:36]
    exact = ruptures.Dynp(model="l2", min_size=3, jump=1).fit(values).predict(n_bkps=2)
    assert at == exact[:-1]


def test_time_stamps_in_any_order() -> None:
    days = np.arange(20)
    stamps = [dt.datetime(2026, 3, 1, 12) + dt.timedelta(days=int(day)) for day in days]
    values = np.where(days < 10, 0.0, 5.0) + rng(5).normal(0.0, 0.3, 20)
    order = rng(6).permutation(20)
    table = pa.table({"vehicle": ["a"] * 20, "day": [stamps[i] for i in order], "x": values[order]})
    (change,) = study.change_points(table, **GIVEN).to_pylist()
    assert change["first_after_day"] - change["last_before_day"] == pytest.approx(1.0)
    first = (dt.datetime(2026, 3, 11, 12) - dt.datetime(1970, 1, 1)).total_seconds() / 86_400.0
    assert change["first_after_day"] == pytest.approx(first)


# Healthy ranges -------------------------------------------------------------------------------------------------------


def fleet_table(vehicles: int = 60, each: int = 10, seed: int = 7) -> pa.Table:
    """Vehicles that differ (1 V), captures that scatter about their vehicle (0.5 V), in two groups, some faulty."""
    draw = rng(seed)
    vehicle = np.repeat(np.arange(vehicles), each)
    group = np.where(vehicle % 2, "diesel", "petrol")
    value = 10.0 + draw.normal(0.0, 1.0, vehicles)[vehicle] + draw.normal(0.0, 0.5, vehicle.size)
    faulty = draw.random(vehicle.size) < 0.1
    return pa.table(
        {
            "capture_id": [f"c{i}" for i in range(vehicle.size)],
            "vehicle": [f"v{v}" for v in vehicle],
            "engine": group,
            "x": np.where(faulty, value + 8.0, value),
            "error_code": pa.nulls(vehicle.size, pa.string()),
            "quality_usable": [True] * vehicle.size,
            "rectifier_pattern": np.where(faulty, "open_diode", "healthy"),
        }
    )


def test_ranges_of_healthy_captures() -> None:
    table = fleet_table()
    found = study.healthy_ranges(table, values=["x"], group="engine", vehicle="vehicle").to_pylist()
    assert [row["engine"] for row in found] == ["diesel", "petrol"]
    for row in found:
        assert row["vehicles"] == 30 and 240 < row["captures"] < 300
        healthy = table.filter(
            (pa.compute.field("engine") == row["engine"]) & (pa.compute.field("rectifier_pattern") == "healthy")
        )
        expected = np.quantile(healthy["x"].to_numpy(), [0.025, 0.5, 0.975], method="median_unbiased")
        assert [row["low"], row["median"], row["high"]] == pytest.approx(expected)
        assert row["low_from"] <= row["low"] <= row["low_to"] < row["median_from"] <= row["median"]
        # Truth: a normal of standard deviation sqrt(1 + 0.25).
        assert (
            row["high_from"] < 10.0 + 1.96 * np.sqrt(1.25) + 0.5 and row["high_to"] > 10.0 + 1.96 * np.sqrt(1.25) - 0.5
        )
    naive = study.healthy_ranges(table, values=["x"], group="engine").to_pylist()
    for one, other in zip(found, naive, strict=True):
        # Ten captures of a vehicle are not ten vehicles: the honest interval of the median is far wider.
        assert one["median_to"] - one["median_from"] > 1.8 * (other["median_to"] - other["median_from"])


def test_the_interval_holds_what_it_states() -> None:
    """The 90 % interval of the median holds the truth in as many of 40 fleets, within three binomial deviations."""
    hits = 0
    for seed in range(40):
        table = fleet_table(vehicles=30, each=6, seed=seed)
        (row,) = study.healthy_ranges(table, values=["x"], vehicle="vehicle", resamples=200).to_pylist()
        hits += row["median_from"] <= 10.0 <= row["median_to"]
    assert hits >= 40 * 0.9 - 3 * np.sqrt(40 * 0.9 * 0.1)


def test_ranges_are_robust_repeatable_and_honest_about_few() -> None:
    table = fleet_table()
    wild = pa.compute.if_else(pa.compute.equal(table["capture_id"], "c2"), 1e6, table["x"])
    odd = table.set_column(table.column_names.index("x"), "x", wild)
    (row,) = study.healthy_ranges(odd, values=["x"]).to_pylist()
    assert row["left_out"] >= 1 and row["high"] < 14.0
    assert study.healthy_ranges(odd, values=["x"]).equals(study.healthy_ranges(odd, values=["x"]))
    (few,) = study.healthy_ranges(table.slice(0, 30), values=["x"]).to_pylist()
    assert few["low"] is None and "at least 40" in few["reason"]
    chosen = table.append_column("mine", pa.compute.equal(table["engine"], "diesel"))
    (mine,) = study.healthy_ranges(chosen, values=["x"], healthy="mine").to_pylist()
    assert mine["captures"] + mine["left_out"] == 300
    with pytest.raises(errors.InvalidCombinationError, match="boolean"):
        study.healthy_ranges(table, values=["x"], healthy="engine")


def test_outliers_against_the_range() -> None:
    table = fleet_table()
    ranges = study.healthy_ranges(table, values=["x"], group="engine", vehicle="vehicle")
    found = study.outliers(table, ranges)
    faulty = set(table.filter(pa.compute.equal(table["rectifier_pattern"], "open_diode"))["capture_id"].to_pylist())
    outside = {row["capture_id"] for row in found.to_pylist() if row["verdict"] == "outside"}
    assert len(faulty - outside) <= 1, "8 V above is outside"
    assert len(outside - faulty) <= 0.05 * 600
    bounds = {row["engine"]: row for row in ranges.to_pylist()}
    for row in found.to_pylist():
        one = bounds[row["engine"]]
        certain = row["measured"] < one["low_from"] or row["measured"] > one["high_to"]
        assert certain == (row["verdict"] == "outside")
        assert (row["distance"] > 0) == (row["measured"] > one["median"])


# Detection ------------------------------------------------------------------------------------------------------------


def scored(count: int = 400, seed: int = 8) -> pa.Table:
    draw = rng(seed)
    probability = draw.beta(0.6, 0.9, count).round(2)
    truth = draw.random(count) < probability
    return pa.table(
        {
            "p": probability,
            "half": probability / 2.0,
            "label": np.where(truth, "open_diode", "healthy"),
            "vehicle": draw.integers(0, 40, count),
        }
    )


FIND: dict[str, Any] = {"label": "label", "positive": "open_diode"}


def test_roc_against_scikit_learn() -> None:
    table = scored()
    truth = np.array(table["label"].to_pylist()) == "open_diode"
    curve = study.roc(table, score="p", **FIND)
    false_rate, true_rate, _ = metrics.roc_curve(truth, table["p"].to_numpy(), drop_intermediate=False)
    np.testing.assert_allclose(curve["true_positive_rate"].to_numpy(), true_rate)
    np.testing.assert_allclose(curve["false_positive_rate"].to_numpy(), false_rate)
    for row in curve.to_pylist()[1::17]:
        called = table["p"].to_numpy() >= row["threshold"]
        assert row["true_positives"] == (called & truth).sum() and row["false_positives"] == (called & ~truth).sum()
    (said,) = study.roc_summary(table, score="p", **FIND).to_pylist()
    assert said["area"] == pytest.approx(metrics.roc_auc_score(truth, table["p"].to_numpy()), rel=1e-12)
    assert said["area_low"] < said["area"] < said["area_high"]
    # Several probabilities are summed: half and half are the whole.
    assert study.roc_summary(table, score=["half", "half"], **FIND).equals(study.roc_summary(table, score="p", **FIND))


def test_the_area_by_vehicles() -> None:
    table = scored(200)
    whole = pa.concat_tables([table] * 5)  # five equal captures of each: no more is known than of one
    (one,) = study.roc_summary(
        table.append_column("own", [list(range(200))]), score="p", vehicle="own", **FIND
    ).to_pylist()
    five = whole.append_column("own", [list(range(200)) * 5])
    (same,) = study.roc_summary(five, score="p", vehicle="own", **FIND).to_pylist()
    (naive,) = study.roc_summary(five, score="p", **FIND).to_pylist()
    width = {name: row["area_high"] - row["area_low"] for name, row in (("one", one), ("same", same), ("naive", naive))}
    assert width["same"] == pytest.approx(width["one"], rel=0.05)
    assert width["naive"] < 0.6 * width["one"]


def test_calibration_against_scikit_learn() -> None:
    table = scored()
    truth = np.array(table["label"].to_pylist()) == "open_diode"
    scores = table["p"].to_numpy()
    found = study.calibration(table, score="p", bins=5, **FIND)
    assert sum(found["captures"].to_pylist()) == 400
    # The same bins for both: edges at our lowest scores.
    fraction, mean = [], []
    for row in found.to_pylist():
        inside = (scores >= row["lowest"]) & (scores <= row["highest"])
        observed, stated = calibration_curve(truth[inside], scores[inside], n_bins=1)
        fraction.append(observed[0])
        mean.append(stated[0])
    np.testing.assert_allclose(found["observed_fraction"].to_numpy(), fraction)
    np.testing.assert_allclose(found["mean_probability"].to_numpy(), mean)
    inside = sum(row["observed_low"] <= row["mean_probability"] <= row["observed_high"] for row in found.to_pylist())
    assert inside >= 4, "the probabilities are true ones"
    (said,) = study.calibration_summary(table, score="p", bins=5, **FIND).to_pylist()
    assert said["brier_score"] == pytest.approx(metrics.brier_score_loss(truth, scores))
    gaps = np.abs(np.array(fraction) - np.array(mean)) * found["captures"].to_numpy() / 400
    assert said["expected_calibration_error"] == pytest.approx(gaps.sum())
    # E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209-212: the interval in closed form, here for 8 of 40.
    wilson = pa.table({"p": [0.2] * 40, "label": ["open_diode"] * 8 + ["healthy"] * 32})
    (row,) = study.calibration(wilson, score="p", **FIND).to_pylist()
    z, p, n = 1.959_964, 0.2, 40
    middle, half = (p + z**2 / 2 / n) / (1 + z**2 / n), z / (1 + z**2 / n) * np.sqrt(p * (1 - p) / n + z**2 / 4 / n**2)
    assert (row["observed_low"], row["observed_high"]) == pytest.approx((middle - half, middle + half), rel=1e-5)


def test_top_label() -> None:
    from sixpulse.fleet.table import PATTERNS  # noqa: PLC0415

    columns = {f"rectifier_probabilities_{name}": [0.0, 0.1, None] for name in PATTERNS}
    columns |= {
        "rectifier_probabilities_healthy": [0.9, 0.2, None],
        "rectifier_probabilities_open_diode": [0.1, 0.7, None],
    }
    made = study.top_label(
        pa.table(columns | {"true_pattern": ["healthy", "healthy", "healthy"]}), label="true_pattern"
    )
    assert made.to_pylist() == [
        {"label": "healthy", "top_pattern": "healthy", "top_probability": 0.9, "top_correct": True},
        {"label": "healthy", "top_pattern": "open_diode", "top_probability": 0.7, "top_correct": False},
    ]


def test_what_cannot_be_judged_is_refused() -> None:
    table = scored(40)
    with pytest.raises(errors.InvalidCombinationError, match="one kind"):
        study.roc(table, score="p", label="label", positive="unheard of")
    with pytest.raises(errors.InvalidCombinationError, match="0 to 1"):
        study.calibration(table, score="vehicle", **FIND)
    with pytest.raises(errors.UnknownColumnError):
        study.roc(table, score="q", **FIND)
    with pytest.raises(errors.WrongTypeError):
        study.roc([1, 2], score="p", **FIND)
    with pytest.raises(errors.OutOfRangeError):
        study.roc_summary(table, score="p", confidence=95.0, **FIND)
    with pytest.raises(errors.InvalidCombinationError, match="numbers are needed"):
        study.trend(table, value="label", time="p", vehicle="vehicle")


# Agreement ------------------------------------------------------------------------------------------------------------

# Peak expiratory flow by two meters, first of two readings, 17 people: Table 1 of Bland and Altman, Lancet 327 (1986)
# 307-310. From memory; the paper's mean difference, -2.1, and standard deviation, 38.8 l/min, are checked below.
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


def test_agreement_of_the_published_example() -> None:
    table = pa.table({"large": LARGE, "mini": MINI})
    (said,) = study.agreement(table, first="large", second="mini").to_pylist()
    assert said["bias"] == pytest.approx(-2.1, abs=0.05)
    assert said["scatter"] == pytest.approx(38.8, abs=0.05)
    # The paper takes 2 standard deviations (-79.7 and 75.5), here it is 1.96.
    assert said["lower_limit"] == pytest.approx(-2.1 - 1.96 * 38.8, abs=0.2)
    assert said["upper_limit"] == pytest.approx(-2.1 + 1.96 * 38.8, abs=0.2)
    # The paper: interval of the bias -22.0 to 17.8, of the lower limit -114.3 to -45.1 (with sqrt(3 / n)).
    assert (said["bias_from"], said["bias_to"]) == pytest.approx((-22.0, 17.8), abs=0.1)
    assert (said["lower_limit_from"], said["lower_limit_to"]) == pytest.approx((-114.3, -45.1), abs=3.0)


def repeated(vehicles: int, each: int, seed: int) -> pa.Table:
    draw = rng(seed)
    vehicle = np.repeat(np.arange(vehicles), each)
    level = draw.uniform(0.1, 0.5, vehicles)[vehicle]
    difference = 0.02 + draw.normal(0.0, 0.03, vehicles)[vehicle] + draw.normal(0.0, 0.02, vehicle.size)
    return pa.table({"vehicle": vehicle, "post": level + difference, "battery": level})


def test_repeated_captures_of_a_vehicle() -> None:
    """Variance between vehicles plus variance within, whatever the number of captures of each."""
    expected = np.hypot(0.03, 0.02)
    found = []
    for seed in range(40):
        (said,) = study.agreement(
            repeated(40, 5, seed), first="post", second="battery", vehicle="vehicle", resamples=10
        ).to_pylist()
        found.append(said["scatter"])
    # The standard error of a standard deviation from 40 vehicles is about 9 % of it; of the mean of 40 such, 1.5 %.
    assert np.mean(found) == pytest.approx(expected, rel=0.045)
    (clustered,) = study.agreement(repeated(40, 5, 1), first="post", second="battery", vehicle="vehicle").to_pylist()
    (naive,) = study.agreement(repeated(40, 5, 1), first="post", second="battery").to_pylist()
    assert clustered["vehicles"] == 40
    assert clustered["bias_to"] - clustered["bias_from"] > 1.5 * (naive["bias_to"] - naive["bias_from"])


def test_agreement_by_ratio() -> None:
    draw = rng(9)
    battery = draw.uniform(0.1, 1.0, 200)
    table = pa.table({"post": 2.0 * battery * np.exp(draw.normal(0.0, 0.1, 200)), "battery": battery})
    (said,) = study.agreement(table, first="post", second="battery", scale="ratio").to_pylist()
    assert said["bias"] == pytest.approx(2.0, rel=0.02)
    assert said["upper_limit"] / said["bias"] == pytest.approx(np.exp(1.96 * 0.1), rel=0.02)
    assert said["bias"] ** 2 == pytest.approx(said["lower_limit"] * said["upper_limit"], rel=1e-12)
    with pytest.raises(errors.InvalidCombinationError, match="positive"):
        study.agreement(pa.table({"a": [1.0, -1.0, 2.0], "b": [1.0, 1.0, 1.0]}), first="a", second="b", scale="ratio")
    with pytest.raises(errors.InvalidCombinationError, match="at least 3"):
        study.agreement(table.slice(0, 2), first="post", second="battery")


# Data frames and plots ------------------------------------------------------------------------------------------------


def test_data_frames_go_in_and_come_out() -> None:
    pandas = pytest.importorskip("pandas")
    table = scored()
    expected = study.roc(table, score="p", **FIND)
    assert study.roc(polars.from_arrow(table), score="p", **FIND).equals(expected)
    assert study.roc(table.to_pandas(), score="p", **FIND).equals(expected)
    assert isinstance(expected.to_pandas(), pandas.DataFrame)
    assert polars.from_arrow(expected).height == expected.num_rows


@pytest.fixture
def ax() -> Any:
    from matplotlib.figure import Figure  # noqa: PLC0415

    return Figure().subplots()


def test_plot_of_a_trend(ax: Any) -> None:
    table = noisy(30, 2, np.where(np.arange(30) < 18, 0.0, 6.0), seed=10)
    assert study.plot.trend(table, name="v0001", ax=ax, **GIVEN) is ax
    assert "step" in ax.get_title(loc="left")
    np.testing.assert_array_equal(ax.lines[0].get_ydata(), table["x"].to_numpy()[30:])
    assert 17.0 <= ax.lines[1].get_xdata()[0] <= 18.0
    with pytest.raises(errors.InvalidCombinationError, match="no capture"):
        study.plot.trend(table, name="another", **GIVEN)


def test_plot_of_a_drift(ax: Any) -> None:
    study.plot.trend(noisy(30, 1, 3.0 * np.arange(30), seed=11), name="v0000", ax=ax, **GIVEN)
    line = ax.lines[1]
    assert np.ptp(line.get_ydata()) == pytest.approx(3.0 * 29, rel=0.03)


def test_plot_of_ranges(ax: Any) -> None:
    table = fleet_table()
    found = study.healthy_ranges(table, values=["x"], group="engine", resamples=50)
    study.plot.healthy_ranges(table, found, value="x", ax=ax)
    assert [label.get_text() for label in ax.get_xticklabels()] == ["diesel", "petrol"]
    drawn = {line.get_ydata()[0] for line in ax.lines if len(line.get_ydata()) == 2}
    assert drawn == {row[end] for row in found.to_pylist() for end in ("low", "median", "high")}
    with pytest.raises(errors.InvalidCombinationError):
        study.plot.healthy_ranges(table, found, value="y")


def test_plots_of_detection(ax: Any) -> None:
    table = scored()
    study.plot.roc(table, score="p", ax=ax, **FIND)
    curve = study.roc(table, score="p", **FIND)
    np.testing.assert_array_equal(ax.lines[0].get_ydata(), curve["true_positive_rate"].to_numpy())
    assert "area 0." in ax.get_legend().get_texts()[0].get_text()
    for other in ax.figure.axes:
        other.clear()
    study.plot.calibration(table, score="p", ax=ax, **FIND)
    found = study.calibration(table, score="p", **FIND)
    marks, _, (bars,) = ax.containers[0]
    np.testing.assert_allclose(marks.get_ydata(), found["observed_fraction"].to_numpy())
    np.testing.assert_allclose([bar[1, 1] for bar in bars.get_segments()], found["observed_high"].to_numpy())
    assert ax.get_xlabel() == "stated probability" and "400 captures" in ax.get_title(loc="left")
    counts = next(axes for axes in ax.figure.axes if axes is not ax)
    assert [bar.get_height() for bar in counts.patches] == found["captures"].to_pylist()
    assert counts.get_ylim()[1] >= 4 * max(found["captures"].to_pylist()), "the bars stay below the marks"


@pytest.mark.parametrize("size", ["notebook", "slide", "column"])
def test_plots_fit_every_size(size: Any) -> None:
    from matplotlib import pyplot  # noqa: PLC0415

    rate = pa.table({"post_rms_v": LARGE, "battery_rms_v": MINI})
    for axes in (
        study.plot.trend(noisy(30, 1, 3.0 * np.arange(30), seed=11), name="v0000", size=size, **GIVEN),
        study.plot.roc(scored(), score="p", size=size, **FIND),
        study.plot.calibration(scored(), score="p", size=size, **FIND),
        study.plot.agreement(rate, first="post_rms_v", second="battery_rms_v", size=size),
    ):
        figure: Any = axes.figure
        figure.canvas.draw()
        box, slack = axes.get_tightbbox(), figure.dpi / 144.0
        assert box is not None and box.x0 >= -slack and box.y0 >= -slack
        assert box.x1 <= figure.bbox.x1 + slack and box.y1 <= figure.bbox.y1 + slack
        pyplot.close(figure)
    assert axes.get_xlabel().replace("\n", " ") == "mean of post rms, V and battery rms, V"


@pytest.mark.parametrize("scale", ["difference", "ratio"])
def test_plot_of_agreement(scale: Any, ax: Any) -> None:
    table = pa.table({"large": LARGE, "mini": MINI})
    study.plot.agreement(table, first="large", second="mini", scale=scale, ax=ax)
    (said,) = study.agreement(table, first="large", second="mini", scale=scale).to_pylist()
    assert [line.get_ydata()[0] for line in ax.lines[:3]] == [said["bias"], said["lower_limit"], said["upper_limit"]]
    expected = np.subtract(LARGE, MINI) if scale == "difference" else np.divide(LARGE, MINI)
    np.testing.assert_allclose(ax.lines[3].get_ydata(), expected)
