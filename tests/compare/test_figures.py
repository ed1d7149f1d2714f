"""Counts and ranges of a comparison."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rakelight.compare.change import compare_surveys
from rakelight.compare.figures import mcnemar_p, wilson_range
from rakelight.core.records import Grade, GradeReport
from rakelight.core.settings import CompareSettings
from rakelight.core.tables import to_plain


@settings(deadline=None)
@given(st.integers(0, 400), st.integers(1, 400), st.sampled_from([0.5, 0.9, 0.95, 0.99]))
def test_wilson_like_statsmodels(n_yes, n_all, level):
    """The range of a share is statsmodels' Wilson range."""
    proportion = pytest.importorskip("statsmodels.stats.proportion")
    n_yes = min(n_yes, n_all)
    expected = proportion.proportion_confint(n_yes, n_all, alpha=1 - level, method="wilson")
    assert expected == pytest.approx(wilson_range(n_yes, n_all, level=level), abs=1e-9)


def test_wilson_of_nothing():
    """With nothing counted the share may be anything."""
    assert (0.0, 1.0) == wilson_range(0, 0)


@settings(deadline=None)
@given(st.integers(0, 200), st.integers(0, 200))
def test_mcnemar_like_statsmodels(n_closed, n_new):
    """The exact test of uneven change is statsmodels' McNemar test."""
    tables = pytest.importorskip("statsmodels.stats.contingency_tables")
    expected = tables.mcnemar([[50, n_closed], [n_new, 50]], exact=True).pvalue
    assert min(expected, 1.0) == pytest.approx(mcnemar_p(n_closed, n_new), abs=1e-9)


def compare_filled(make_survey, make_pits, n_filled, seed=1, **changes):
    """Return a comparison of eighty pits of which some were filled."""
    rng = np.random.default_rng(seed)
    x_mm, y_mm, size_mm = rng.uniform(10, 1190, 80), rng.uniform(10, 590, 80), rng.uniform(2, 8, 80)
    before = make_survey(make_pits(x_mm, y_mm, size_mm), **changes)
    after = make_survey(make_pits(x_mm[n_filled:], y_mm[n_filled:], size_mm[n_filled:]), **changes)
    return before, after, compare_surveys(before, after)


def test_areas_are_the_pits_areas(make_survey, make_pits):
    """Open area before and after is the sum of the pits' areas over the face."""
    before, after, comparison = compare_filled(make_survey, make_pits, 50)
    areas = comparison.figures["area_share"]
    face_mm2 = 1200 * 600
    assert before.pits["area_mm2"].sum() / face_mm2 == pytest.approx(areas["before"]["value"])
    assert after.pits["area_mm2"].sum() / face_mm2 == pytest.approx(areas["after"]["value"])
    for part in ("before", "after", "difference"):
        assert areas[part]["low"] <= areas[part]["value"] <= areas[part]["high"]


def test_filling_most_is_more_than_noise(make_survey, make_pits):
    """Fifty of eighty filled is a change no two photos of one face would show."""
    assert compare_filled(make_survey, make_pits, 50)[2].figures["is_more_than_noise"]


@pytest.mark.parametrize("n_filled", [0, 1, 2])
def test_filling_one_or_two_is_not(make_survey, make_pits, n_filled):
    """One or two pits less can be chance, and the sentence says so."""
    figures = compare_filled(make_survey, make_pits, n_filled)[2].figures
    assert not figures["is_more_than_noise"]
    assert "two photos of the same face" in figures["sentence"]


def test_range_of_the_difference_covers_it(make_survey, make_pits):
    """With the same pits measured again and again, the 95 % range of the change holds zero."""
    rng = np.random.default_rng(3)
    x_mm, y_mm, size_mm = rng.uniform(10, 1190, 80), rng.uniform(10, 590, 80), rng.uniform(2, 8, 80)
    held = 0
    for _ in range(20):
        pair = [
            make_survey(make_pits(x_mm, y_mm, size_mm * np.exp(rng.normal(0, 0.08, 80))))
            for _ in range(2)
        ]
        difference = compare_surveys(*pair, settings=CompareSettings(resamples=200)).figures[
            "area_share"
        ]["difference"]
        held += difference["low"] <= 0 <= difference["high"]
    assert held >= 16  # 19 of 20 expected; fewer than 16 happens three times in a thousand at 95 %


def test_bands_add_up(make_survey, make_pits):
    """Every pit stands in one size band."""
    _, _, comparison = compare_filled(make_survey, make_pits, 50)
    bands = comparison.figures["by_band"]
    assert 80 == sum(band["n_before"] for band in bands)
    assert 50 == sum(band["closed"] for band in bands)


def test_texture_that_stays_as_it_was_is_no_failed_repair(make_survey, make_pits):
    """Of 40 sure pits 30 were closed; 40 doubtful places nobody filled widen the range only."""
    rng = np.random.default_rng(4)
    x_mm, y_mm, size_mm = rng.uniform(10, 1190, 80), rng.uniform(10, 590, 80), rng.uniform(2, 8, 80)
    sure = np.where(np.arange(80) < 40, 0.97, 0.6)
    before = make_survey(make_pits(x_mm, y_mm, size_mm, confidence=sure))
    left = np.arange(80) >= 30
    after = make_survey(make_pits(x_mm[left], y_mm[left], size_mm[left], confidence=sure[left]))
    figures = compare_surveys(before, after).figures
    share = figures["repaired_share"]
    assert (0.75, 40, 30) == (share["value"], share["n"], share["n_closed"])
    assert (80, 30) == (share["n_listed"], share["n_listed_closed"])
    assert 30 / 80 == share["low"]
    assert wilson_range(30, 40)[1] == share["high"]
    assert "Of 80 pits that both photos can show, 30 are closed, " in figures["sentence"]
    assert "Of the 40 that were sure before, 30 are closed (38% to 86%)." in figures["sentence"]


def test_share_without_a_sure_pit(make_survey, make_pits):
    """A survey that was sure of nothing has no share, and the range of what it lists."""
    pits = make_pits([100.0, 200.0], [100.0, 200.0], [4.0, 4.0], confidence=np.full(2, 0.6))
    share = compare_surveys(make_survey(pits), make_survey(pits)).figures["repaired_share"]
    assert np.isnan(share["value"])
    assert wilson_range(0, 2) == (share["low"], share["high"])


def test_grades_before_and_after(make_survey, make_pits):
    """A scheme that both surveys were graded by is given twice, with the classes it touches."""
    was, now = (
        GradeReport((), (Grade("demo", "Demo", c, (c, "3"), 0.4, "%", "r", "s", "read"),))
        for c in ("2", "1")
    )
    before = make_survey(make_pits([10], [10], [3]), grade=was)
    after = make_survey(make_pits([10], [10], [3]), grade=now)
    [grade] = compare_surveys(before, after).figures["grades"]
    assert ("2", "1", ["1", "3"]) == (grade["before"], grade["after"], grade["after_range"])


def test_figures_are_plain(make_survey, make_pits):
    """The figures can be saved as JSON without loss."""
    figures = compare_filled(make_survey, make_pits, 50)[2].figures
    assert to_plain(figures) == json.loads(json.dumps(to_plain(figures)))
