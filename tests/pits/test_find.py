"""Candidates: nothing that is a pit may be missed, whatever the lamp's side and the photo's size."""

import cv2
import numpy as np
import pytest
from scipy import ndimage
from scipy.spatial import cKDTree
from skimage import data
from skimage.feature import blob_log
from skimage.filters import threshold_otsu
from skimage.measure import label, regionprops

from rakelight.core.errors import ScaleError
from rakelight.core.records import FaceMap, FlatPhoto, Lamp
from rakelight.core.settings import FindSettings, LightSettings
from rakelight.light.background import flatten_light
from rakelight.pits.find import (
    Candidates,
    build_octaves,
    compare_sides,
    drop_repeats,
    find_pits,
)
from rakelight.pits.neighbours import near_pairs


def flatten(grey, scale_mm=30.0):
    """Return a flat photo of a grey picture at 1 mm per pixel."""
    face = FaceMap(cv2.merge([grey] * 3), np.ones(grey.shape, bool), 1.0)
    return flatten_light(face, settings=LightSettings(background_scale_mm=scale_mm))


def share_near(truth_xy, found, mm_per_px, reach_mm):
    """Return the share of places (x, y in mm) with a candidate within reach."""
    places = np.column_stack([found.col + 0.5, found.row + 0.5]) * mm_per_px
    return np.mean(cKDTree(places).query(truth_xy)[0] <= reach_mm)


def test_every_pit_that_spans_six_pixels_is_a_candidate(survey):
    """Of made-up pits of 1 mm (6.7 px) and more, at least 99 in 100 have a candidate within half a radius."""
    truth = survey.truth[survey.truth.diameter_mm >= 1.0]
    pit_like = survey.candidates.take(survey.candidates.strength > 0)
    gaps = [
        share_near(
            [(row.x_mm, row.y_mm)], pit_like, survey.mm_per_px, max(0.5 * row.diameter_mm, 0.3)
        )
        for row in truth.itertuples()
    ]
    assert np.mean(gaps) >= 0.99


def test_what_the_plain_blob_search_finds_of_the_pits_is_found_too(survey):
    """Of the true pits that skimage's blob_log finds, at least 98 % are candidates (second implementation)."""
    small = cv2.resize(-survey.flat.relief, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    blobs = blob_log(
        small, min_sigma=1.2, max_sigma=12, num_sigma=8, log_scale=True, threshold=0.12
    )
    blob_mm = (blobs[:, 1::-1] * 2 + 1) * survey.mm_per_px
    truth = survey.truth[survey.truth.diameter_mm >= 1.0]
    reach = 0.6 * truth.diameter_mm.to_numpy()
    places = truth[["x_mm", "y_mm"]].to_numpy()
    by_blob = cKDTree(blob_mm).query(places)[0] <= reach
    pit_like = survey.candidates.take(survey.candidates.strength > 0)
    ours = np.column_stack([pit_like.col + 0.5, pit_like.row + 0.5]) * survey.mm_per_px
    by_us = cKDTree(ours).query(places)[0] <= reach
    assert by_blob.sum() >= 30
    assert np.mean(by_us[by_blob]) >= 0.98


def test_nearly_every_coin_has_an_edge_of_the_right_sign():
    """skimage's photo shows 24 coins; at least 23 have a candidate of the right sign on an edge."""
    grey = data.coins()
    bright = ndimage.binary_fill_holes(grey > threshold_otsu(grey))
    coins = [
        one
        for one in regionprops(label(ndimage.binary_opening(bright, iterations=5)))
        if one.area > 600
    ]
    assert 24 == len(coins)
    settings = FindSettings(smallest_mm=30, largest_mm=70, threshold_noise=1.5)
    octaves = build_octaves(flatten(grey, scale_mm=150), settings=settings)
    found = find_pits(octaves, Lamp(270.0, 30.0), 1.0, settings=settings)
    marked = 0
    for coin in coins:
        radius = coin.equivalent_diameter_area / 2
        edges = [(coin.centroid[1] - radius, 1), (coin.centroid[1] + radius, -1)]
        near = [
            np.any(
                (np.hypot(found.row - coin.centroid[0], found.col - col) < 0.7 * radius)
                & (np.sign(found.strength) == sign)
            )
            for col, sign in edges
        ]
        marked += any(near)
    assert marked >= 23


@pytest.mark.parametrize("side", [0.0, 90.0, 180.0, 270.0])
def test_contrast_is_positive_for_a_pit_from_every_side(side):
    """A spot dark toward the lamp and bright away from it has a positive contrast in its middle."""
    y, x = np.mgrid[:41, :41] - 20.0
    away = (np.cos(np.radians(side)), -np.sin(np.radians(side)))
    picture = ((y * away[0] + x * away[1]) * np.exp(-(y**2 + x**2) / 18)).astype(np.float32)
    far, near = compare_sides(picture, 10.0, away)
    contrast = far - near
    assert (20, 20) == np.unravel_index(contrast.argmax(), contrast.shape)


def test_turning_the_picture_turns_the_candidates(survey):
    """Photo and lamp turned by 90 degrees give the same candidates, turned (law)."""
    flat = survey.flat
    turned = FlatPhoto(
        np.ascontiguousarray(np.rot90(flat.relief, -1)),
        flat.background,
        flat.noise_sd,
        flat.mm_per_px,
    )
    settings = FindSettings(smallest_mm=1.0)
    lamp = Lamp(0.0, 15.0)  # the left side became the top
    found = find_pits(
        build_octaves(turned, settings=settings), lamp, flat.mm_per_px, settings=settings
    )
    before = survey.candidates.take(survey.candidates.strength > 8)
    rows = flat.relief.shape[0]
    expected = np.column_stack([before.col, rows - 1 - before.row])
    reached = cKDTree(np.column_stack([found.row, found.col])).query(expected)[0]
    # A candidate may sit one pixel of its own octave further: a quarter of its diameter.
    assert np.mean(reached <= np.maximum(1.0, before.diameter_px / 4)) >= 0.98


def test_plain_noise_at_a_high_threshold_is_empty():
    """Even noise holds no candidate at 8 noise levels."""
    noise = np.random.default_rng(3).normal(0, 0.05, (300, 300)).astype(np.float32)
    flat = FlatPhoto(noise, np.ones((4, 4), np.float32), 0.05, 0.2)
    settings = FindSettings(threshold_noise=8.0)
    assert 0 == len(
        find_pits(build_octaves(flat, settings=settings), Lamp(270.0, 15.0), 0.2, settings=settings)
    )


def test_a_large_void_is_one_candidate_of_its_size():
    """A 20 mm void at .1 mm/px (200 px) is found near its own scale: the largest scale follows the largest pit."""
    y, x = np.mgrid[:800, :800] - 400.0
    inside = np.hypot(y, x) < 100
    relief = np.where(inside, np.where(x < 30, -0.8, 1.5), 0.0).astype(np.float32)
    relief += np.random.default_rng(5).normal(0, 0.02, relief.shape).astype(np.float32)
    flat = FlatPhoto(relief, np.ones((4, 4), np.float32), 0.02, 0.1)
    found = find_pits(build_octaves(flat), Lamp(270.0, 15.0), 0.1)
    big = found.take((found.diameter_px > 100) & (found.strength > 0))
    assert len(big) >= 1
    assert 0.5 < float(big.diameter_px[0]) / 200 < 2


def test_repeats_lose_to_the_stronger():
    """Of two candidates on one place the stronger stays; a distant one and one of opposite sign stay too."""
    pool = Candidates(
        *(np.array(values, np.float32) for values in ([10, 11, 10, 60], [10, 10, 10, 60], [8, 9, 8, 8], [9, 7, -6, 5], [1, 1, 1, 1])),
        np.zeros(4, np.intp),
    )  # fmt: skip
    assert [9, -6, 5] == drop_repeats(pool).strength.tolist()


def test_near_pairs_agree_with_the_plain_double_loop():
    """Pairs within reach of the larger size are those that a double loop finds."""
    rng = np.random.default_rng(8)
    places, size = rng.uniform(0, 50, (60, 2)), rng.uniform(1, 9, 60)
    plain = {
        (i, j)
        for i in range(60)
        for j in range(i + 1, 60)
        if np.hypot(*(places[i] - places[j])) <= 0.7 * max(size[i], size[j])
    }
    assert plain == set(map(tuple, near_pairs(places, size, 0.7).tolist()))
    similar = {(i, j) for i, j in plain if max(size[i], size[j]) <= 1.5 * min(size[i], size[j])}
    assert similar <= set(map(tuple, near_pairs(places, size, 0.7, ratio=1.5).tolist())) <= plain
    assert (
        (0, 2)
        == near_pairs(places[:0], size[:0], 0.7).shape
        == near_pairs(places[:1], size[:1], 0.7).shape
    )


def test_hiding_part_of_the_face_leaves_the_rest_alone(photo, survey):
    """With 60 % of the face hidden, candidates on the seen rest stay within 15 % of their number (law)."""
    seen = np.zeros(photo.rgb.shape[:2], bool)
    edge = int(0.4 * seen.shape[1])
    seen[:, :edge] = True
    flat = flatten_light(FaceMap(photo.rgb, seen, survey.mm_per_px))
    found = find_pits(build_octaves(flat), survey.lamp, survey.mm_per_px)
    strong = found.take((found.strength > 8) & (found.col < edge - 60))
    before = survey.candidates.take(
        (survey.candidates.strength > 8) & (survey.candidates.col < edge - 60)
    )
    assert len(before) == pytest.approx(len(strong), rel=0.15)
    assert not np.any(found.col > edge + 5)


def test_a_face_too_small_for_any_size_is_one_sentence():
    """A scale that leaves no room for a 1 mm pit is refused with advice."""
    flat = FlatPhoto(np.zeros((200, 200), np.float32), np.ones((4, 4), np.float32), 0.02, 0.001)
    with pytest.raises(ScaleError, match="too small"):
        build_octaves(flat)
