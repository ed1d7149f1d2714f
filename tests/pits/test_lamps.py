"""Two lamps over one face: places, pooled confidence and depths."""

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from rakelight.core.records import FaceMap, Lamp
from rakelight.light.background import flatten_light
from rakelight.pits.find import build_octaves, find_pits
from rakelight.pits.lamps import (
    LampView,
    invert_bowl,
    measure_depths,
    pool_chances,
    pool_lamps,
    register_views,
)
from rakelight.pits.sort import sort_candidates
from rakelight.simulate import Lamp as SceneLamp
from rakelight.simulate import choose_recipe
from rakelight.simulate.camera import aim_camera, photograph
from rakelight.simulate.lamp import light_slab
from rakelight.simulate.slab import make_slab

CASES = {
    case["id"]: case
    for case in json.loads((Path(__file__).parents[1] / "data" / "shadow.json").read_text())
}
MOVE = np.array(
    [[1.0, 0.004, 9.0], [-0.004, 1.0, -6.0]]
)  # a hand's shift of 1.6 mm and a turn of .23 degrees
ANGLE_DEG = 15.0


@pytest.fixture(scope="module")
def slab():
    """A face with many stains and bumps, 1.2 MP at .15 mm/px."""
    recipe = choose_recipe(
        "caps",
        size_mm=(150, 120),
        mm_per_px=0.15,
        pits_per_m2=3000,
        stains_per_m2=3000,
        bumps_per_m2=1500,
    )
    return make_slab(recipe, seed=41)


def take_view(slab, from_deg, *, matrix=None):
    """Return what a photo of the face shows under a lamp, the camera moved when a matrix is given."""
    rgb = photograph(
        light_slab(slab, SceneLamp(from_deg, ANGLE_DEG), ambient=0.1),
        aim_camera(slab),
        seed=int(from_deg),
    )
    if matrix is not None:
        rgb = cv2.warpAffine(rgb, matrix, rgb.shape[1::-1], borderMode=cv2.BORDER_REFLECT)
    flat = flatten_light(FaceMap(rgb, np.ones(rgb.shape[:2], bool), slab.mm_per_px))
    octaves, lamp = build_octaves(flat), Lamp(from_deg, ANGLE_DEG, basis="said")
    entries = sort_candidates(
        octaves, find_pits(octaves, lamp, slab.mm_per_px), lamp, slab.mm_per_px
    )
    return LampView(octaves, flat, lamp, entries)


@pytest.fixture(scope="module")
def views(slab):
    """The face lit from the left and, the camera moved by a hand, from the right."""
    return [take_view(slab, 270.0), take_view(slab, 90.0, matrix=MOVE)]


def count_right(slab, entries):
    """Return (hits, false) of entries of 1 mm and more that are called pits."""
    c = entries.candidates
    chosen = (entries.confidence >= 0.5) & (c.diameter_px * slab.mm_per_px >= 1.0)
    places = (np.column_stack([c.col, c.row])[chosen] + 0.5) * slab.mm_per_px
    truth = slab.pits
    gap = np.hypot(*(places[:, None] - truth[["x_mm", "y_mm"]].to_numpy()[None]).transpose(2, 0, 1))
    on_pit = (gap < truth.diameter_mm.to_numpy() / 2).any(axis=1)
    large = (truth.diameter_mm >= 1.0).to_numpy()
    return int((gap < truth.diameter_mm.to_numpy() / 2).any(axis=0)[large].sum()), int(
        (~on_pit).sum()
    )


def test_photos_are_laid_on_each_other(slab, views):
    """A shift of 11 px and a turn of .23 degrees are found: corners right to 2 px, though lit from opposite sides."""
    registration = register_views(*views)
    assert registration.n_pairs >= 20
    rows, cols = views[0].flat.relief.shape
    x, y = np.array([0, cols, 0, cols], float), np.array([0, 0, rows, rows], float)
    row, col = registration.place(y, x)
    expected = MOVE @ np.vstack([x, y, np.ones(4)])
    assert np.hypot(col - expected[0], row - expected[1]).max() < 2.0
    back_row, back_col = registration.place_back(row, col)
    np.testing.assert_allclose(
        np.column_stack([back_col, back_row]), np.column_stack([x, y]), atol=0.01
    )


def test_two_lamps_lose_no_pit_and_add_no_false_one(slab, views):
    """Both lamps find at least what the first finds, with no more false pits."""
    one, both = count_right(slab, views[0].entries), count_right(slab, pool_lamps(views).entries)
    assert both[0] >= one[0]
    assert both[1] <= one[1]


def test_a_face_that_is_another_is_not_laid_on(slab, views):
    """A photo of another face shares no pits: no pairs, and it is taken as not moved."""
    other = make_slab(
        choose_recipe("caps", size_mm=(150, 120), mm_per_px=0.15, pits_per_m2=3000), seed=77
    )
    registration = register_views(views[0], take_view(other, 90.0))
    assert 0 == registration.n_pairs
    np.testing.assert_array_equal(np.array([[1, 0], [0, 1], [0, 0]]), registration.matrix)


def test_depths_from_two_shadows_are_nearer_the_truth(slab, views):
    """Round-bottomed pits of 1.5 mm and more: median depth within 15 % of the truth, nearer than one lamp's."""
    pooled = pool_lamps(views)
    pits = pooled.entries.take(pooled.entries.confidence > 0.5)
    depth, is_from_lamps = measure_depths(pits, views, pooled.registrations)
    one = measure_depths(pits, views[:1], ())[0]
    c, truth = pits.candidates, slab.pits
    ratios = []
    for k in np.flatnonzero(is_from_lamps):
        gap = np.hypot(truth.x_mm - (c.col[k] + 0.5) * 0.15, truth.y_mm - (c.row[k] + 0.5) * 0.15)
        near = int(gap.argmin())
        if (
            gap.iloc[near] < truth.diameter_mm.iloc[near] / 2
            and truth.diameter_mm.iloc[near] >= 1.5
        ):
            ratios.append(
                (depth[k] / truth.depth_mm.iloc[near], one[k] / truth.depth_mm.iloc[near])
            )
    both_ratio, one_ratio = np.nanmedian(np.array(ratios), axis=0)
    assert len(ratios) >= 8
    assert 1.0 == pytest.approx(both_ratio, abs=0.15)
    assert abs(both_ratio - 1) < abs(one_ratio - 1)


@pytest.mark.parametrize("name", [name for name in CASES if name.startswith("cap_shadow")])
def test_a_round_bottomed_pit_comes_back_from_its_shadow(name):
    """The inversion of worked cases; without a shadow, or with one that reaches half a ball's, it is unknown."""
    case = CASES[name]
    given, expected = case["inputs"], case["expected"]
    shadow_mm = expected["shadow_mm"] or np.nan
    depth = float(
        invert_bowl(
            np.array(shadow_mm),
            np.array(float(given["diameter_mm"])),
            np.array(float(given["elevation_deg"])),
        )
    )
    if expected["cap_inverse_depth_mm"] is None or given["depth_mm"] >= given["diameter_mm"] / 2:
        assert np.isnan(depth)
    else:
        assert expected["cap_inverse_depth_mm"] == pytest.approx(depth, abs=2 * case["tolerance"])


def test_pooled_chances_agree_and_contradict():
    """Two sure photos are surer than one, two that contradict each other leave it open, order does not matter."""
    chances = pool_chances(
        np.array([[0.9, 0.9], [0.95, 0.05], [0.05, 0.95], [0.1, 0.1], [1.0, 1.0]])
    )
    assert 0.85 < chances[0] < chances[4]
    assert chances[1] == pytest.approx(chances[2])
    assert 0.3 < chances[1] < 0.6
    assert chances[3] < 0.1


def test_one_view_alone_stays_as_it_is(views):
    """A photo that no other could be laid on keeps its finds, their places and their confidences."""
    alone = pool_lamps([views[0]])
    assert alone.registrations == ()
    assert alone.entries is views[0].entries


def test_a_photo_without_finds_is_not_laid_on(views):
    """Nothing common is told as no pairs."""
    empty = replace(views[1], entries=views[1].entries.take(np.zeros(0, int)))
    pooled = pool_lamps([views[0], empty])
    assert 0 == pooled.registrations[0].n_pairs
    assert len(pooled.entries.candidates) <= len(views[0].entries.candidates)
