"""What became of each pit."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from rakelight.compare.change import compare_surveys
from rakelight.core.errors import CompareError
from rakelight.core.records import CHANGE_COLUMNS, MARK_COLUMNS, STATES, Lamp, Quality, make_table

XY = np.random.default_rng(8).uniform(20, 560, (60, 2))
SIZES = np.random.default_rng(9).uniform(2, 6, 60)


def survey_of(make_survey, make_pits, keep, **changes):
    """Return a survey that lists the chosen ones of sixty fixed pits."""
    columns = changes.pop("columns", {})
    xy_mm = changes.pop("xy_mm", XY)
    return make_survey(make_pits(*xy_mm[keep].T, SIZES[keep], **columns), **changes)


def states_of(comparison):
    """Return the states of the earlier pits in their order."""
    table = comparison.table
    return table.loc[table["before_id"].notna(), "state"].tolist()


def test_same_survey_twice_is_all_open(make_survey, make_pits):
    """A face compared with itself has changed nowhere, and that is what the sentence says."""
    survey = survey_of(make_survey, make_pits, np.arange(60))
    comparison = compare_surveys(survey, survey)
    assert ["open"] * 60 == comparison.table["state"].tolist()
    assert comparison.table["before_id"].tolist() == comparison.table["after_id"].tolist()
    assert not comparison.figures["is_more_than_noise"]
    assert 0 == comparison.figures["area_share"]["difference"]["value"]


def test_closed_open_and_new(make_survey, make_pits):
    """Twenty filled, thirty left, ten opened by honing: each gets its state and its numbers."""
    before = survey_of(make_survey, make_pits, np.arange(50))
    after = survey_of(make_survey, make_pits, np.arange(20, 60))
    comparison = compare_surveys(before, after)
    assert ["closed"] * 20 + ["open"] * 30 == states_of(comparison)
    new = comparison.table[comparison.table["state"] == "new"]
    assert list(range(31, 41)) == sorted(new["after_id"].tolist())
    assert new["before_id"].isna().all()
    assert {"closed": 20, "dished": 0, "open": 30, "new": 10, "unseen": 0} == comparison.figures[
        "counts"
    ]
    assert 40 == len(comparison.figures["refill"])


def test_table_has_the_declared_columns(make_survey, make_pits):
    """Names, order and dtypes are those declared; states and chances stay in their ranges."""
    before = survey_of(make_survey, make_pits, np.arange(50))
    table = compare_surveys(before, survey_of(make_survey, make_pits, np.arange(30, 60))).table
    assert [c.name for c in CHANGE_COLUMNS] == list(table.columns)
    assert make_table(CHANGE_COLUMNS).dtypes.to_dict() == table.dtypes.to_dict()
    assert set(table["state"]) <= set(STATES)
    assert table["confidence"].between(0, 1).all()


@pytest.mark.parametrize("n", [(0, 0), (0, 20), (20, 0)])
def test_empty_surveys(make_survey, make_pits, n):
    """A survey without pits is compared like any other."""
    before, after = (survey_of(make_survey, make_pits, np.arange(k)) for k in n)
    table = compare_surveys(before, after).table
    assert ["closed"] * n[0] + ["new"] * n[1] == table["state"].tolist()
    assert [c.name for c in CHANGE_COLUMNS] == list(table.columns)


def test_expected_place_of_what_is_closed(make_survey, make_pits):
    """A closed pit carries the place where it should be on the later plan."""
    before = survey_of(make_survey, make_pits, np.arange(60))
    after = survey_of(make_survey, make_pits, np.arange(10, 60), xy_mm=XY + np.array([6.0, -4.0]))
    table = compare_surveys(before, after).table
    assert np.allclose(
        XY[:10] + np.array([6, -4]), table[["after_x_mm", "after_y_mm"]][:10], atol=0.05
    )
    assert table["after_diameter_mm"][:10].isna().all()


def test_sunk_fills_are_dished(make_survey, make_pits):
    """A hollow a fifth as deep as before, under the same lamp, is a fill that sank."""
    before = survey_of(make_survey, make_pits, np.arange(60))
    depth_mm = SIZES / 2 * np.where(np.arange(60) < 15, 0.2, 1.0)
    after = survey_of(make_survey, make_pits, np.arange(60), columns={"depth_mm": depth_mm})
    assert ["dished"] * 15 + ["open"] * 45 == states_of(compare_surveys(before, after))


def test_no_shadow_under_a_low_lamp_means_shallow(make_survey, make_pits):
    """A place that lost its shadow under a lamp at 15 degrees is shallow, though no depth is known."""
    before = survey_of(make_survey, make_pits, np.arange(60))
    depth_mm = np.where(np.arange(60) < 15, np.nan, SIZES / 2)
    after = survey_of(make_survey, make_pits, np.arange(60), columns={"depth_mm": depth_mm})
    assert ["dished"] * 15 + ["open"] * 45 == states_of(compare_surveys(before, after))


def test_no_depth_known_is_not_called_dished(make_survey, make_pits):
    """Without any lamp angle nothing is said to have sunk."""
    blank = {"columns": {"depth_mm": np.full(60, np.nan)}, "lamp": Lamp()}
    before = survey_of(make_survey, make_pits, np.arange(60), **blank.copy())
    after = survey_of(make_survey, make_pits, np.arange(60), **blank.copy())
    assert {"open"} == set(states_of(compare_surveys(before, after)))


def test_below_sight_is_unseen_and_not_closed(make_survey, make_pits):
    """What the later photo could not show is not claimed to be repaired."""
    before = survey_of(make_survey, make_pits, np.arange(60))
    after = survey_of(make_survey, make_pits, np.arange(30, 60), smallest_mm=3.5)
    table = compare_surveys(before, after).table
    # Surely above: a pit as large as the limit may be smaller than it was measured.
    small = SIZES[:30] - before.pits["diameter_sd_mm"][:30] < 3.5
    assert 0 < small.sum() < 30
    assert np.where(small, "unseen", "closed").tolist() == table["state"][:30].tolist()


def test_small_before_is_not_new_after(make_survey, make_pits):
    """A pinhole that the earlier photo could not have shown is unseen, not new."""
    before = survey_of(make_survey, make_pits, np.arange(40), smallest_mm=3.5)
    table = compare_surveys(before, survey_of(make_survey, make_pits, np.arange(60))).table
    later = table[table["before_id"].isna()].set_index("after_id")["state"]
    small = SIZES[40:] < 3.5
    assert 0 < small.sum() < 20
    assert np.where(small, "unseen", "new").tolist() == later.sort_index().tolist()


def test_outside_the_later_photo_is_unseen(make_survey, make_pits):
    """A later photo of half the face says nothing about the other half."""
    before = survey_of(make_survey, make_pits, np.arange(60))
    left = np.flatnonzero(XY[:, 0] < 280)
    seen = np.zeros((300, 600), bool)
    seen[:, :300] = True
    after = survey_of(make_survey, make_pits, left)
    after = dataclasses.replace(
        after, face=dataclasses.replace(after.face, seen=seen, mm_per_px=1.0)
    )
    comparison = compare_surveys(before, after)
    far = (XY[:, 0] > 310) | (XY[:, 1] > 304)
    table = comparison.table
    assert {"unseen"} == set(table["state"][:60][far & ~np.isin(np.arange(60), left)])
    assert {"outside what the photo covers"} == set(comparison.figures["unseen_because"])


def test_photo_to_be_retaken_closes_nothing(make_survey, make_pits):
    """From a photo that must not be trusted nothing is called closed, and the reason is given."""
    before = survey_of(make_survey, make_pits, np.arange(60))
    bad = Quality("retake", ("hold still",), 4.0, 0.02, 0, 0, 1.0)
    after = survey_of(make_survey, make_pits, np.arange(20), quality=bad)
    comparison = compare_surveys(before, after)
    assert 0 == comparison.figures["counts"]["closed"]
    assert any("taken again" in warning for warning in comparison.warnings)


def test_photo_too_coarse_for_the_smallest_pits_closes_the_large_ones(make_survey, make_pits):
    """What is well above the size that a coarse photo shows is judged; what is below stays unseen."""
    before = survey_of(make_survey, make_pits, np.arange(60))
    between_mm = float(np.median(before.pits["diameter_mm"]))
    bad = Quality("retake", (), 0.5, 0.01, 0, 0, between_mm, {"complaint_too_coarse": 2.0})
    after = survey_of(make_survey, make_pits, np.arange(20), quality=bad)
    comparison = compare_surveys(before, after)
    lost = comparison.table[20:60]
    surely_mm = lost["before_diameter_mm"] - before.pits["diameter_sd_mm"][20:60]
    assert {"closed"} == set(lost["state"][surely_mm >= between_mm])
    assert {"unseen"} == set(lost["state"][surely_mm < between_mm])
    assert {"unseen"} == set(lost["state"][lost["before_diameter_mm"] < between_mm])
    assert any(f"below {between_mm:.1f} mm" in warning for warning in comparison.warnings)


def test_listed_before_as_something_else_is_not_new(make_survey, make_pits):
    """What the earlier survey saw but did not take for a pit was already there."""
    marks = make_table(
        MARK_COLUMNS,
        {
            "mark_id": [1],
            "x_mm": XY[59:, 0],
            "y_mm": XY[59:, 1],
            "diameter_mm": SIZES[59:],
            "length_mm": SIZES[59:],
            "width_mm": SIZES[59:],
            "kind": ["other"],
        },
    )
    before = survey_of(make_survey, make_pits, np.arange(50), marks=marks)
    table = compare_surveys(before, survey_of(make_survey, make_pits, np.arange(60))).table
    later = table[table["before_id"].isna()].set_index("after_id")["state"].sort_index()
    assert ["new"] * 9 == later.tolist()[:9]
    assert "new" != later.tolist()[9]


def test_made_up_repairs(make_case):
    """Over six faces, 97 % of the states are right and new pits are told from missed ones."""
    right = n = n_called = n_true_called = n_new = 0
    for seed in range(6):
        move = np.array([[1.004, -0.006, 5], [0.006, 1.004, -4], [1e-6, -2e-6, 1]])
        case = make_case(seed, move=move)
        table = compare_surveys(case.before, case.after).table
        was = table[table["before_id"].notna()]
        real = case.before_place >= 0
        big = real & (case.diameter_mm[case.before_place] >= 1.0)
        right += np.sum(was["state"].to_numpy()[big] == case.truth[case.before_place[big]])
        n += big.sum()
        called = table.loc[table["state"] == "new", "after_id"].astype(int).to_numpy()
        places = case.after_place[called - 1]
        n_called += len(called)
        n_true_called += np.sum((places >= 0) & (case.truth[places] == "new"))
        n_new += np.sum((case.truth == "new") & (case.diameter_mm >= 1.0))
    assert right / n >= 0.97
    assert n_true_called / n_called >= 0.85
    assert n_true_called / n_new >= 0.85


def test_chances_mean_what_they_say(make_case):
    """States are right at least as often as their chances say, and unsure ones less often."""
    given, right = [], []
    for seed in range(10, 18):
        case = make_case(seed)
        was = compare_surveys(case.before, case.after).table
        was = was[was["before_id"].notna()]
        judged = (case.before_place >= 0) & (was["state"] != "unseen").to_numpy()
        right.append(was["state"].to_numpy()[judged] == case.truth[case.before_place[judged]])
        given.append(was["confidence"].to_numpy()[judged])
    given, right = np.concatenate(given), np.concatenate(right)
    # Without pictures the chances are cautious: the made-up depths are better than assumed.
    assert np.mean(given) - 0.02 < np.mean(right) < np.mean(given) + 0.08
    unsure = given < 0.8
    assert np.mean(right[unsure]) < np.mean(right[~unsure]) - 0.1


def test_turned_plan_is_refused(make_survey, make_pits):
    """A plan laid down the other way round is named, with what to do."""
    before = survey_of(make_survey, make_pits, np.arange(60))
    after = survey_of(make_survey, make_pits, np.arange(60), xy_mm=np.array([1200, 600]) - XY)
    with pytest.raises(CompareError, match="turned by 180 degrees"):
        compare_surveys(before, after)


def test_other_size_is_refused(make_survey, make_pits):
    """Plans of different size are not one face."""
    before = survey_of(make_survey, make_pits, np.arange(60))
    after = survey_of(make_survey, make_pits, np.arange(60), size_mm=(1200.0, 700.0))
    with pytest.raises(CompareError, match="600 mm deep before and 700 mm after"):
        compare_surveys(before, after)


def test_other_face_is_doubted(make_survey, make_pits):
    """Two unrelated faces are compared, and the person is asked to make sure."""
    before = survey_of(make_survey, make_pits, np.arange(60))
    other = np.random.default_rng(77).uniform(20, 560, (60, 2))
    comparison = compare_surveys(
        before, survey_of(make_survey, make_pits, np.arange(60), xy_mm=other)
    )
    assert "scale" == comparison.registration["model"]
    assert any("same face" in warning for warning in comparison.warnings)


def test_tones_and_spots(make_survey, make_pits):
    """Tone differences are carried by pit and patches that stand out are listed."""
    before = survey_of(make_survey, make_pits, np.arange(60))
    tones = np.full(60, 1.0)
    tones[[3, 5]] = [6.0, np.nan]
    comparison = compare_surveys(
        before, survey_of(make_survey, make_pits, np.arange(20, 60)), tones=tones
    )
    assert [4] == comparison.figures["spots"]
    assert np.array_equal(tones, comparison.table["tone_dE00"][:60], equal_nan=True)


def test_predict_hook(make_survey, make_pits):
    """A caller who knows where the pits went is believed."""
    before = survey_of(make_survey, make_pits, np.arange(60))
    after = survey_of(make_survey, make_pits, np.arange(60), xy_mm=XY + np.array([80.0, 0.0]))
    comparison = compare_surveys(before, after, predict=lambda x_mm, y_mm: (x_mm + 80, y_mm))
    assert {"open"} == set(states_of(comparison))


def test_inputs_are_not_changed(make_survey, make_pits):
    """The two surveys come back as they went in."""
    before = survey_of(make_survey, make_pits, np.arange(60))
    after = survey_of(make_survey, make_pits, np.arange(20, 60))
    kept = before.pits.copy(), after.pits.copy()
    compare_surveys(before, after)
    pd.testing.assert_frame_equal(kept[0], before.pits)
    pd.testing.assert_frame_equal(kept[1], after.pits)
