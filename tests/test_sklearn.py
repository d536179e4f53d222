"""The scikit-learn transformer: scikit-learn's own conformance checks, and its figures against the examination's."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

import sixpulse
from captures import bridge_v, sprayer
from sixpulse import errors

pytest.importorskip("sklearn")

from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import cross_val_score
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import FunctionTransformer, StandardScaler
from sklearn.utils.estimator_checks import parametrize_with_checks

from sixpulse.sklearn import OrderFeatures


# The checks feed a few random numbers in place of records: such a row cannot be read and becomes a row of NaN.
@parametrize_with_checks([OrderFeatures(sample_rate_hz=1e4, unreadable="missing")])
def test_scikit_learns_own_checks(estimator: Any, check: Any) -> None:
    check(estimator)


def test_figures_are_those_of_the_examination() -> None:
    capture = sprayer()
    found = sixpulse.examine(capture)
    row = dict(zip(OrderFeatures().get_feature_names_out(), OrderFeatures().fit_transform([capture])[0], strict=True))
    assert found.ripple is not None
    assert row["level_mean_v"] == found.level.mean_v
    assert row["ripple_rms_v"] == found.ripple.rms_v
    assert row["electrical_hz"] == found.cycle.electrical_hz
    assert row["sub_six_ratio"] == found.rectifier.sub_six_ratio
    assert [row[f"order_{n}_v"] for n in range(1, 13)] == found.cycle.order_amplitudes_v[:12].tolist()
    relative = OrderFeatures(scale="relative", orders=6).fit_transform((capture,))[0]
    np.testing.assert_allclose(relative[6:12], found.cycle.order_amplitudes_v[:6] / found.ripple.rms_v, rtol=1e-15)


def test_an_array_is_as_good_as_captures() -> None:
    volts = np.stack([13.8 + bridge_v(fault=fault, count=8000) for fault in (True, False)])
    common: dict[str, Any] = {"sample_rate_hz": 50_000.0, "coupling": "dc", "role": "charging_post"}
    captures = [sixpulse.Capture({"post": sixpulse.Trace(row, **common)}) for row in volts]
    of_array = OrderFeatures(sample_rate_hz=50_000.0, n_jobs=2).fit_transform(volts)
    np.testing.assert_array_equal(of_array, OrderFeatures().fit_transform(captures))
    faulty, healthy = of_array[:, -1]
    assert faulty > 6.0 and healthy < 0.3, "S tells a failed diode from a healthy bridge"


def test_what_cannot_be_read_is_raised_or_missing() -> None:
    short = sixpulse.Capture({"post": sixpulse.Trace([1.0], sample_rate_hz=1e4, coupling="dc", role="charging_post")})
    given = [short, sprayer()]
    with pytest.raises(errors.SixpulseError):
        OrderFeatures().fit_transform(given)
    table = OrderFeatures(unreadable="missing").fit_transform(given)
    assert np.isnan(table[0]).all() and np.isfinite(table[1]).all()


@pytest.mark.parametrize(
    ("wishes", "code"),
    [
        ({"orders": 0}, "out_of_range"),
        ({"orders": 25}, "out_of_range"),
        ({"orders": True}, "out_of_range"),
        ({"scale": "db"}, "unknown_name"),
        ({"unreadable": "ignore"}, "unknown_name"),
        ({}, "invalid_combination"),
    ],
)
def test_wrong_parameters(wishes: dict[str, Any], code: str) -> None:
    with pytest.raises(errors.SixpulseError) as caught:
        OrderFeatures(**wishes).fit(np.ones((2, 100)))
    assert caught.value.code == code


def test_a_researchers_own_model() -> None:
    family = list(sixpulse.simulate_family(seed=4, count=40, pulse_number=6, cycles=12, system_v=12))
    truth = np.array([made.truth.pattern == "healthy" for made in family])
    filled = FunctionTransformer(np.nan_to_num)
    model = make_pipeline(OrderFeatures(scale="relative"), filled, StandardScaler(), LogisticRegression())
    scores = cross_val_score(model, [made.capture for made in family], truth, cv=4)
    assert scores.mean() > max(truth.mean(), 1.0 - truth.mean()), "the features tell more than the shares"


def test_tables_of_pandas() -> None:
    pandas = pytest.importorskip("pandas")
    table = OrderFeatures(orders=2).set_output(transform="pandas").fit_transform([sprayer()])
    assert isinstance(table, pandas.DataFrame)
    assert list(table.columns)[-3:] == ["order_1_v", "order_2_v", "sub_six_ratio"]
