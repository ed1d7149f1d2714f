"""How the benchmark counts: one to one, sizes outside the limit neither right nor wrong, every figure by hand."""

import sys
from pathlib import Path

import pandas as pd
import pytest

sys.path.append(str(Path(__file__).parents[2] / "benchmarks"))
from scoring import Tally, match, tally_scene


def lay(rows, **more):
    """Return a table of (x_mm, y_mm, diameter_mm)."""
    table = pd.DataFrame(rows, columns=["x_mm", "y_mm", "diameter_mm"]).astype(float)
    return table.assign(area_mm2=3.14159265 / 4 * table.diameter_mm**2, **more)


TRUTH = lay([(10, 10, 2), (20, 10, 4), (30, 10, 0.5), (40, 10, 2)])
FOUND = lay(
    [(10.2, 10, 2.2), (20, 10.5, 4), (30, 10, 0.6), (50, 50, 2), (60, 60, 3)], confidence=[0.9, 0.8, 0.9, 0.7, 0.2]
)
MARKS = lay([(50.1, 50, 3)], kind="stain")


@pytest.fixture
def tally():
    """Two of three pits of 1 mm found, one stain taken for a pit, one entry too unsure to be listed."""
    answer = Tally()
    tally_scene(answer, FOUND, TRUTH, MARKS, area_m2=0.1, limit_mm=(1, 99), px_mm=0.5)
    return answer


def test_rates(tally):
    """The pit under the limit is neither a hit nor a miss, what stands on it is not false."""
    assert (2, 1, 1) == (tally.hits, tally.misses, tally.false)
    assert 2 / 3 == pytest.approx(tally.precision)
    assert 2 / 3 == pytest.approx(tally.recall)
    assert 2 / 3 == pytest.approx(tally.f1)
    assert 1.0 == pytest.approx(tally.false_per_tenth_m2)
    assert {"stain": 1} == tally.false_kinds


def test_sizes(tally):
    """Bias and error are relative to the true size; open area counts what is listed from the limit on."""
    assert 0.05 == pytest.approx(tally.diameter_errors()[0])
    assert 0.05 == pytest.approx(tally.mean_diameter_error())
    found, true = 2.2**2 + 4**2 + 2**2, 2**2 + 4**2 + 2**2
    assert found / true - 1 == pytest.approx(tally.area_share_error())


def test_bands(tally):
    """Recall goes by the true size, precision by the size found, in mm and in px."""
    small, large = tally.by_band([1, 3, 10], "mm")
    assert (2, 0.5, 2, 0.5) == small[2:]
    assert (1, 1.0, 1, 1.0) == large[2:]
    assert small[2:] == tally.by_band([2, 6, 20], "px")[0][2:]


def test_reliability(tally):
    """Every entry of the limit's size is judged, listed or not; each tenth of confidence has its row."""
    assert [(1, 0.2, 0.0), (1, 0.7, 0.0), (1, 0.8, 1.0), (1, 0.9, 1.0)] == tally.reliability()
    assert (0.2 + 0.7 + 0.2 + 0.1) / 4 == pytest.approx(tally.calibration_error())


def test_window_errors(tally):
    """Worst windows are compared count with count."""
    tally.worst_window.append((200, 190))
    assert [-0.05] == pytest.approx(list(tally.window_errors()))


def test_one_to_one():
    """Two detections on one pit: the nearer takes it, the other stands for nothing; far ones match nothing."""
    found = lay([(10, 10, 2), (10.4, 10, 2), (10, 18, 2)])
    assert [0, -1, -1] == list(match(found, TRUTH))
    assert [] == list(match(found[:0], TRUTH))
