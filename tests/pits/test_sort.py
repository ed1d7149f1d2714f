"""Sorting: pits from what only looks like one, and how sure."""

import numpy as np
import pytest
from skimage import data

from rakelight.core.flags import flag_bit
from rakelight.core.records import FaceMap, Lamp
from rakelight.core.settings import FindSettings, LightSettings
from rakelight.light.background import flatten_light
from rakelight.pits.find import Candidates, build_octaves, find_pits
from rakelight.pits.network import KINDS, N_OUTPUTS, judge_patches, split_outputs
from rakelight.pits.sort import (
    Sorted,
    calibrate,
    describe_evidence,
    drop_overlaps,
    pit_margin,
    sort_candidates,
    vote_for_side,
)

from .conftest import Survey, make_photo


def count_hits(survey, low_mm=1.0):
    """Return (hits, misses, false) for pits of at least `low_mm` within half a diameter."""
    truth = survey.truth[survey.truth.diameter_mm >= low_mm]
    pits = survey.pits
    gap = np.hypot(
        truth.x_mm.to_numpy()[:, None] - pits.x_mm.to_numpy(),
        truth.y_mm.to_numpy()[:, None] - pits.y_mm.to_numpy(),
    )
    hits = (gap < truth.diameter_mm.to_numpy()[:, None] / 2).any(axis=1)
    every = np.hypot(
        survey.truth.x_mm.to_numpy()[:, None] - pits.x_mm.to_numpy(),
        survey.truth.y_mm.to_numpy()[:, None] - pits.y_mm.to_numpy(),
    )
    real = (every < np.maximum(survey.truth.diameter_mm.to_numpy()[:, None] / 2, 0.4)).any(axis=0)
    return int(hits.sum()), int((~hits).sum()), int((~real).sum())


def test_pits_are_found_and_little_else(survey):
    """On a made-up face of a seed never trained on, at least 95 % of the pits and at most 1 false in 20."""
    hits, misses, false = count_hits(survey)
    assert hits / (hits + misses) >= 0.95
    assert false <= (hits + false) / 20


def test_a_face_without_pits_has_none():
    """Stains, bumps, grains and scratches alone give at most one false pit on .027 m2."""
    empty = Survey(make_photo(21, n_pits=0), Lamp(270.0, 15.0))
    assert len(empty.pits) <= 1


def test_turning_the_photo_keeps_the_pits(photo, survey):
    """Photo and lamp turned by 90 degrees give the same count within 3 % and the same sizes within 3 % (law)."""
    turned = Survey(photo, Lamp(0.0, 15.0), rgb=np.ascontiguousarray(np.rot90(photo.rgb, -1)))
    assert len(survey.pits) == pytest.approx(len(turned.pits), rel=0.03)
    assert survey.pits.diameter_mm.median() == pytest.approx(
        turned.pits.diameter_mm.median(), rel=0.03
    )


def test_a_light_gradient_changes_nothing(photo, survey):
    """A lamp that falls off to half across the photo gives the same count within 3 % (law)."""
    fall_off = np.linspace(1.0, 0.73, photo.rgb.shape[1])[
        None, :, None
    ]  # .73 in sRGB is about half the light
    dimmed = Survey(photo, Lamp(270.0, 15.0), rgb=(photo.rgb * fall_off).astype(np.uint8))
    assert len(survey.pits) == pytest.approx(len(dimmed.pits), rel=0.03)


def test_the_right_lamp_side_gets_the_vote(photo):
    """The true side makes more and surer pits than the opposite one."""
    right, wrong = (Survey(photo, Lamp(side, 15.0)) for side in (270.0, 90.0))
    assert vote_for_side(right.entries) > 3 * vote_for_side(wrong.entries)


def test_unknown_side_still_works_and_says_so(photo, survey):
    """Without a side most pits are found, every one is flagged, and confidence is lower."""
    blind = Survey(photo, Lamp(axis_deg=90.0))
    assert len(blind.pits) >= 0.85 * len(survey.pits)
    assert np.all(blind.entries.flags & flag_bit("lamp_side_unknown"))
    assert blind.entries.confidence.max() < survey.entries.confidence.max()


def test_craters_of_the_moon_are_pits_lit_from_the_left():
    """skimage's moon photo is lit from the left: that side gets at least 4 times the vote of the right one."""
    grey = data.moon()
    face = FaceMap(np.repeat(grey[:, :, None], 3, axis=2), np.ones(grey.shape, bool), 1.0)
    flat = flatten_light(face, settings=LightSettings(background_scale_mm=60))
    find = FindSettings(smallest_mm=4, largest_mm=60)
    octaves = build_octaves(flat, settings=find)
    votes = {}
    for side in (270.0, 90.0):
        lamp = Lamp(side, 20.0)
        found = find_pits(octaves, lamp, 1.0, settings=find)
        votes[side] = vote_for_side(sort_candidates(octaves, found, lamp, 1.0))
    assert votes[270.0] > 4 * votes[90.0]


def test_no_candidates_give_an_empty_answer():
    """Nothing in, nothing out, with all shapes in place."""
    answer = judge_patches(np.empty((0, 3, 25, 25), np.float32), np.empty((0, 4), np.float32))
    assert (0, len(KINDS)) == answer.logits.shape
    assert (0, 16) == answer.lip.shape


def test_lips_keep_the_area_of_the_equal_circle():
    """Whatever the network says of the lip, its mean square distance is 1."""
    raw = np.random.default_rng(2).normal(0, 0.3, (5, N_OUTPUTS)).astype(np.float32)
    np.testing.assert_allclose(np.mean(split_outputs(raw).lip ** 2, axis=1), 1.0, rtol=1e-5)


def test_confidence_rises_with_the_evidence_and_trust_pulls_it_to_the_middle():
    """A wider margin never lowers the chance, and half-trusted evidence lies nearer to one half."""
    logits = np.zeros((3, len(KINDS)), np.float32)
    logits[:, 0] = [-4, 2, 8]
    seen = (np.full(3, 2.0), np.full(3, 2.0), np.zeros(3))
    evidence = describe_evidence(logits, np.full(3, 10.0), seen)
    chance = calibrate(evidence)
    assert np.all(np.diff(chance) > 0) and np.all(np.diff(pit_margin(logits)) > 0)
    assert np.all(np.abs(calibrate(evidence, trust=0.5) - 0.5) < np.abs(chance - 0.5))


def test_shares_of_circles_agree_with_counted_pixels():
    """The share of the smaller of two circles inside the larger is that of pixels counted, within 2 %."""
    from rakelight.pits.sort import _share_circles

    rng = np.random.default_rng(3)
    row, col, size = rng.uniform(0, 60, 40), rng.uniform(0, 60, 40), rng.uniform(12, 60, 40)
    pool = Candidates(
        *(np.asarray(v, np.float32) for v in (row, col, size, size, size)), np.zeros(40, np.intp)
    )
    first, second = np.triu_indices(40, 1)
    y, x = np.mgrid[-40:100:0.5, -40:100:0.5]
    inside = [np.hypot(y - r, x - c) <= s / 2 for r, c, s in zip(row, col, size, strict=True)]
    counted = [
        np.count_nonzero(inside[i] & inside[j])
        / min(np.count_nonzero(inside[i]), np.count_nonzero(inside[j]))
        for i, j in zip(first, second, strict=True)
    ]
    np.testing.assert_allclose(_share_circles(pool, first, second), counted, atol=0.02)


def test_threads_change_nothing(survey):
    """One thread and three give the same entries (law)."""
    one, three = (
        sort_candidates(survey.octaves, survey.candidates, survey.lamp, survey.mm_per_px, threads=n)
        for n in (1, 3)
    )
    np.testing.assert_array_equal(one.confidence, three.confidence)
    np.testing.assert_array_equal(one.candidates.row, three.candidates.row)


def test_pits_beside_the_border_keep_their_place(photo, survey):
    """A map that ends half a millimetre beyond a pit's far wall shows it in place: to 0.1 of its diameter."""
    size = photo.slab.mm_per_px
    far_in = survey.truth[survey.truth.x_mm.between(60, 150) & (survey.truth.diameter_mm >= 2.5)]
    for pit in far_in.nlargest(3, "diameter_mm").itertuples():
        last = round((pit.x_mm + pit.diameter_mm / 2 + 0.5) / size)
        cut = Survey(photo, survey.lamp, rgb=np.ascontiguousarray(photo.rgb[:, :last])).pits
        away = np.hypot(cut.x_mm - pit.x_mm, cut.y_mm - pit.y_mm)
        assert away.min() < 0.1 * pit.diameter_mm
        assert cut.diameter_mm[away.idxmin()] == pytest.approx(pit.diameter_mm, rel=0.15)


def test_the_better_look_at_a_pit_decides_whatever_its_size():
    """Of two looks at one pit the one surer of its size gives the place, at every size; a small thing on a lip goes."""
    for small in (3.0, 8.5, 26.0, 80.0):
        looks = Candidates(
            row=np.array([10.0, 10.0, 10.0], np.float32),
            col=np.array([10.0, 10.0 + 0.3 * small, 10.0 + 0.55 * small], np.float32),
            diameter_px=np.array([small, 1.3 * small, 0.2 * small], np.float32),
            strength=np.ones(3, np.float32),
            noise=np.ones(3, np.float32),
            octave=np.zeros(3, int),
        )
        answer = Sorted(
            looks,
            kind=np.full(3, KINDS.index("pit")),
            confidence=np.array([0.97, 0.96, 0.99]),
            kind_confidence=np.array([1.0, 0.8, 1.0]),
            size_sd=np.array([0.05, 0.12, 0.05]),
            lip=np.ones((3, 16)),
            toward_deg=np.full(3, 270.0),
            evidence=np.zeros((3, 7)),
            flags=np.zeros(3, np.int64),
        )
        kept = drop_overlaps(answer).candidates
        assert [small] == pytest.approx(kept.diameter_px.tolist())
        assert [10.0] == pytest.approx(kept.col.tolist())
