"""Outlines, sizes, depths and the two tables."""

import numpy as np
import pytest
from skimage.draw import polygon
from skimage.measure import label, regionprops

from rakelight.core.records import MARK_COLUMNS, PIT_COLUMNS, FaceMap
from rakelight.pits.depth import bound_depths
from rakelight.pits.find import join_candidates
from rakelight.pits.measure import choose_pits, flag_uncountable, fill_volume_mm3, list_marks, measure_pits, name_kinds
from rakelight.pits.outline import measure_outlines, trace_outlines


def pair_with_truth(survey, low_mm):
    """Return (found, true) rows of the same pits, by nearest middle within half a diameter."""
    pairs = []
    for row in survey.truth[survey.truth.diameter_mm >= low_mm].itertuples():
        gap = np.hypot(survey.pits.x_mm - row.x_mm, survey.pits.y_mm - row.y_mm)
        if len(gap) and gap.min() < row.diameter_mm / 2:
            pairs.append((survey.pits.iloc[int(gap.argmin())], row))
    return pairs


def ellipse(length, width, turn_deg=0.0, centre=(0.0, 0.0)):
    """Return the outline (1, 48, 2) of an ellipse in mm."""
    angle = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    x, y = length / 2 * np.cos(angle), width / 2 * np.sin(angle)
    turn = np.radians(turn_deg)
    return np.stack([centre[0] + x * np.cos(turn) - y * np.sin(turn), centre[1] + x * np.sin(turn) + y * np.cos(turn)], 1)[None]


def test_sizes_of_known_pits(survey):
    """Diameters of made-up caps of 1 mm and more: median error and bias at most 8 %.

    Shallow caps fade toward their lip and are read some 5 % small; over mixed shapes the bias is within
    2 % (benchmarks/accuracy.py measures that).
    """
    ratio = np.array([found.diameter_mm / true.diameter_mm for found, true in pair_with_truth(survey, 1.0)])
    assert len(ratio) > 40
    assert np.median(np.abs(ratio - 1)) <= 0.08
    assert 1.0 == pytest.approx(np.median(ratio), abs=0.08)


def test_stated_doubt_covers_the_truth(survey):
    """Two standard uncertainties cover the true diameter in at least 8 of 10 pits."""
    pairs = pair_with_truth(survey, 1.0)
    inside = [abs(found.diameter_mm - true.diameter_mm) <= 2 * found.diameter_sd_mm for found, true in pairs]
    assert np.mean(inside) >= 0.8


def test_least_depths_stay_below_the_truth(survey):
    """The shadow's depth is a lower bound: at most 1 pit in 10 goes past 1.15 of the true depth."""
    pairs = [pair for pair in pair_with_truth(survey, 1.5) if pair[0].depth_basis == "at_least"]
    assert len(pairs) > 15
    ratio = np.array([found.depth_mm / true.depth_mm for found, true in pairs])
    assert np.mean(ratio > 1.15) <= 0.1
    assert np.median(ratio) > 0.4


def test_every_unknown_depth_is_nan_and_flagged(survey):
    """NaN depth, basis `unknown` and the flag go together."""
    unknown = survey.pits.depth_mm.isna()
    assert unknown.equals(survey.pits.depth_basis == "unknown")
    assert unknown.equals(survey.pits["flags"].str.contains("depth_unknown"))


def test_calipers_and_area_agree_with_regionprops():
    """A 40 x 18 mm ellipse drawn at 10 px/mm: area within 1 %, calipers within 1 % of skimage's (second implementation)."""
    outline = ellipse(40, 18, 30.0, (30, 30))
    sizes = measure_outlines(outline)
    drawn = np.zeros((600, 600), int)
    drawn[polygon(outline[0, :, 1] * 10, outline[0, :, 0] * 10)] = 1
    props = regionprops(label(drawn))[0]
    assert props.area / 100 == pytest.approx(sizes["area_mm2"][0], rel=0.01)
    assert props.feret_diameter_max / 10 == pytest.approx(sizes["length_mm"][0], rel=0.01)
    assert 18 == pytest.approx(sizes["width_mm"][0], rel=0.01)
    assert (30, 30) == pytest.approx((sizes["x_mm"][0], sizes["y_mm"][0]), abs=1e-6)


def test_elongated_void_has_two_readings():
    """A 12 x 3 mm void has an equal-area diameter of 6.0 mm and a length of 12 mm (published trap)."""
    sizes = measure_outlines(ellipse(12, 3))
    assert 6.0 == pytest.approx(2 * np.sqrt(sizes["area_mm2"][0] / np.pi), rel=0.005)
    assert 12.0 == pytest.approx(sizes["length_mm"][0], rel=0.003)


def test_twice_the_scale_gives_four_times_the_area(survey):
    """The same outlines at twice the mm per pixel have four times the area (law)."""
    chosen = choose_pits(survey.entries, 0.15, smallest_mm=1.0, confidence_min=0.5)
    once, twice = (measure_outlines(trace_outlines(chosen, mm)) for mm in (0.15, 0.30))
    np.testing.assert_allclose(twice["area_mm2"], 4 * once["area_mm2"], rtol=1e-9)


@pytest.mark.parametrize(("diameter", "depth", "volume"), [(10, 2, 82.7286), (10, 5, 261.7994), (6, 1, 14.6608), (15, 4, 386.9395)])
def test_cap_volumes(diameter, depth, volume):
    """Spherical-cap volumes of the reference cases, in mm3."""
    assert volume == pytest.approx(float(fill_volume_mm3(np.array(diameter), np.array(float(depth)))), abs=1e-3)


def test_unknown_depth_is_filled_as_half_a_sphere():
    """Half a sphere of 3 mm holds 7.1 mm3 (worked out in the trade notes)."""
    assert 7.1 == pytest.approx(float(fill_volume_mm3(np.array(3.0), np.array(np.nan))), abs=0.05)


def test_trade_names_by_diameter():
    """Below 2 mm a pinhole, above 15 mm a void, both limits themselves a bug hole."""
    assert ["pinhole", "bug_hole", "bug_hole", "void"] == name_kinds([1.99, 2.0, 15.0, 15.1]).tolist()


def test_tables_have_their_columns_also_when_empty(survey):
    """Nothing found is an empty table with all columns."""
    nothing = survey.entries.take(np.zeros(len(survey.entries.kind), bool))
    empty = measure_pits(nothing, survey.face, survey.flat, survey.lamp, scale=survey.scale)
    assert [column.name for column in PIT_COLUMNS] == list(empty.pits.columns) == list(survey.pits.columns)
    assert [column.name for column in MARK_COLUMNS] == list(list_marks(nothing, 0.15).columns)
    assert 0 == len(empty.pits) == len(empty.outlines_mm) == len(bound_depths(survey.flat, nothing, np.empty(0)))
    assert 0 == len(join_candidates([]))


def test_pits_at_the_border_and_at_openings_are_flagged(survey):
    """An outline that leaves the map or reaches an unseen part carries the flag that says so."""
    seen = survey.face.seen.copy()
    row = survey.pits.iloc[len(survey.pits) // 2]
    col = int(row.x_mm / 0.15)
    seen[:, col:] = False
    face = FaceMap(survey.face.rgb, seen, 0.15)
    chosen = choose_pits(survey.entries, 0.15, smallest_mm=1.0, confidence_min=0.5)
    pits = measure_pits(chosen, face, survey.flat, survey.lamp, scale=survey.scale).pits
    assert "cut_by_opening" in pits["flags"].iloc[len(pits) // 2]
    assert not pits.near_edge.any()


def test_only_known_edges_make_a_pit_lie_near_an_edge(survey):
    """Near are the pits whose lip comes within 10 mm of a given outline; a photo's own border is none."""
    hole = np.array([(50.0, 40.0), (70.0, 40.0), (70.0, 60.0), (50.0, 60.0)])
    chosen = choose_pits(survey.entries, 0.15, smallest_mm=1.0, confidence_min=0.5)
    pits = measure_pits(chosen, survey.face, survey.flat, survey.lamp, scale=survey.scale, edges_mm=[hole]).pits
    away = np.maximum(np.abs(pits.x_mm - 60) - 10, np.abs(pits.y_mm - 50) - 10)  # by the larger side
    assert pits.near_edge[(away > 0) & (away < 5)].all()
    assert not pits.near_edge[away - pits.diameter_mm / 2 > 10].any()
    assert 0 < pits.near_edge.sum() < len(pits)


def test_sizes_without_a_shape_are_called_guesses(survey):
    """Pits below 6 px carry `outline_guess`, pits above only when their size is doubtful."""
    px = survey.pits.diameter_mm / survey.mm_per_px
    guessed = survey.pits["flags"].str.contains("outline_guess")
    assert guessed[px < 5.9].all()
    sure = (survey.pits.diameter_sd_mm / survey.pits.diameter_mm < 0.19) & (px > 6.1)
    assert sure.sum() > 20 and not guessed[sure].any()


def test_pits_below_the_countable_size_are_flagged_and_kept(survey):
    """With 1.5 mm countable all smaller pits are flagged, none is dropped; an unknown size flags none."""
    flagged = flag_uncountable(survey.pits, 1.5)
    assert (flagged["flags"].str.contains("below_countable") == (survey.pits.diameter_mm < 1.5)).all()
    assert len(survey.pits) == len(flagged)
    assert survey.pits is flag_uncountable(survey.pits, float("nan"))
