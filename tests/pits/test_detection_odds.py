"""Detection against size: published and worked examples, a second implementation, and laws."""

import json
import math
import sys
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).parents[2]
sys.path.append(str(ROOT / "benchmarks"))
from detection_odds import bound_share, fit_odds  # noqa: E402

CASES = json.loads((ROOT / "tests" / "data" / "detection_odds.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def voids():
    """Thirty made-up voids, found or missed."""
    case = CASES["pod_mm_log"]
    return np.array(case["inputs"]["size_mm"]), np.array(case["inputs"]["hit"])


def test_worked_example_in_log_size(voids):
    """The curve of thirty voids in log size, with its bound, is the one of the worked example."""
    expected, tolerance = CASES["pod_mm_log"]["expected"], CASES["pod_mm_log"]["tolerance"]
    odds = fit_odds(*voids)
    assert expected["b0"] == pytest.approx(odds.b0, abs=tolerance["b0"])
    assert expected["b1"] == pytest.approx(odds.b1, abs=tolerance["b1"])
    assert expected["a50_mm"] == pytest.approx(odds.a50, abs=tolerance["a50_mm"])
    assert expected["a90_mm"] == pytest.approx(odds.a90, abs=tolerance["a90_mm"])
    assert expected["a90_95_lr_mm"] == pytest.approx(odds.a90_95, abs=tolerance["a90_95_lr_mm"])


def test_grouped_example_from_print():
    """Grouped hits (the beetles of 1935) give the published logit coefficients and the computed bound."""
    case = CASES["logit_dose_beetle"]
    counts = list(zip(case["inputs"]["n"], case["inputs"]["hits"], strict=True))
    size = np.repeat(case["inputs"]["x"], case["inputs"]["n"])
    hit = np.concatenate([np.arange(n) < hits for n, hits in counts])
    odds = fit_odds(size, hit, log_size=False)
    expected, tolerance = case["expected"], case["tolerance"]
    for name in ("b0", "b1", "a50", "a90"):
        assert expected[name] == pytest.approx(getattr(odds, name), abs=tolerance[name])
    bound = expected["a90_95_likelihood_ratio"]
    assert bound == pytest.approx(odds.a90_95, abs=tolerance["a90_95_likelihood_ratio"])


def test_second_implementation(voids):
    """A general statistics library fits the same curve."""
    statsmodels = pytest.importorskip("statsmodels.api")
    size, hit = voids
    fitted = statsmodels.GLM(hit, statsmodels.add_constant(np.log(size)), family=statsmodels.families.Binomial()).fit()
    odds = fit_odds(size, hit)
    assert list(fitted.params) == pytest.approx([odds.b0, odds.b1], rel=1e-6)  # both iterate to machine accuracy


def test_scale_law(voids):
    """Sizes in another unit give the same curve, its points in that unit."""
    size, hit = voids
    here, there = fit_odds(size, hit), fit_odds(size / 25.4, hit)
    assert here.b1 == pytest.approx(there.b1, rel=1e-6)
    assert [here.a50, here.a90, here.a90_95] == pytest.approx([25.4 * a for a in (there.a50, there.a90, there.a90_95)])


def test_nothing_missed_gives_no_curve():
    """Hits alone say that no curve can be had; the exact binomial bound says what can (29 of 29: .902)."""
    assert math.isnan(fit_odds(np.linspace(1, 5, 29), np.ones(29)).a90)
    case = CASES["binomial_lower_bound_29"]
    assert case["expected"] == pytest.approx(bound_share(29, 29), abs=case["tolerance"])
    assert 0.0 == bound_share(29, 0)
