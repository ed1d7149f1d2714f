"""Least depths from shadows: worked geometry on drawn shadows, and laws; parts of a face give the whole's pits."""

import json
from pathlib import Path

import numpy as np
import pytest

from rakelight.core.records import FlatPhoto, Lamp
from rakelight.pits.depth import bound_depths
from rakelight.pits.find import Candidates, build_octaves, find_pits
from rakelight.pits.sort import Sorted, sort_candidates

CASES = json.loads((Path(__file__).parents[1] / "data" / "shadow.json").read_text())
SHADOWS = [case for case in CASES if case["id"].startswith("shadow_depth")]
PX_PER_SHADOW = 40


def draw_shadow(shadow_mm, diameter_px):
    """Return (flat photo, one pit): a dark band 40 px long from the lip on, under a lamp at the left."""
    relief = np.zeros((200, 200), np.float32)
    left = 100 - diameter_px / 2
    x = np.arange(200) - left
    relief[:, (x >= 0) & (x < PX_PER_SHADOW)] = -0.9
    one = {
        name: np.array([value], np.float32)
        for name, value in (("row", 100), ("col", 99.5), ("diameter_px", diameter_px))
    }
    candidates = Candidates(
        **one, strength=np.ones(1), noise=np.ones(1), octave=np.zeros(1, np.intp)
    )
    pit = Sorted(
        candidates, np.zeros(1, int), np.ones(1), np.ones(1), np.full(1, 0.05), np.ones((1, 16)),
        np.full(1, 270.0), np.zeros((1, 7)), np.zeros(1, np.int64),
    )  # fmt: skip
    return FlatPhoto(relief, np.ones((4, 4), np.float32), 0.02, shadow_mm / PX_PER_SHADOW), pit


@pytest.mark.parametrize("case", SHADOWS, ids=[case["id"] for case in SHADOWS])
def test_a_drawn_shadow_has_the_worked_depth(case):
    """L tan(e) of published geometry from a band drawn that long: within 4 % (the profile's step is 1.5 px of 40)."""
    flat, pit = draw_shadow(case["inputs"]["shadow_mm"], 60.0)
    depth = bound_depths(flat, pit, np.array([float(case["inputs"]["elevation_deg"])]))
    assert case["expected"] == pytest.approx(depth[0], rel=0.04)


def test_no_shadow_and_no_angle_are_no_depth():
    """A face without a dark band, and a lamp of unknown angle, give NaN and never 0."""
    flat, pit = draw_shadow(5.0, 60.0)
    lit = FlatPhoto(np.zeros_like(flat.relief), flat.background, flat.noise_sd, flat.mm_per_px)
    assert np.isnan(bound_depths(lit, pit, np.array([15.0])))[0]
    assert np.isnan(bound_depths(flat, pit, np.array([np.nan])))[0]


def test_overlapping_parts_give_the_pits_of_the_whole(survey):
    """Two halves with 12 mm in common: of the pits away from the cuts at least 97 in 100 are those of the whole."""
    relief, lamp, step = survey.flat.relief, Lamp(270.0, 15.0), survey.mm_per_px
    middle, halo = relief.shape[1] // 2, int(12 / step)
    places = []
    for start, stop, low, high in (
        (0, middle + halo, 0, middle),
        (middle - halo, relief.shape[1], middle, relief.shape[1]),
    ):
        part = FlatPhoto(
            np.ascontiguousarray(relief[:, start:stop]),
            survey.flat.background,
            survey.flat.noise_sd,
            step,
        )
        octaves = build_octaves(part)
        entries = sort_candidates(octaves, find_pits(octaves, lamp, step), lamp, step)
        c = entries.take(
            (entries.confidence >= 0.5) & (entries.candidates.diameter_px * step >= 1.05)
        ).candidates
        col = c.col + start
        mine = (col >= low) & (col < high)
        places.append(np.column_stack([col, c.row])[mine])
    parts = np.vstack(places)
    whole = survey.pits[survey.pits.diameter_mm >= 1.1]
    gap = [
        np.hypot(parts[:, 0] - (x / step - 0.5), parts[:, 1] - (y / step - 0.5)).min()
        for x, y in whole[["x_mm", "y_mm"]].to_numpy()
    ]
    assert len(whole) > 40
    assert np.mean(np.array(gap) * step < 0.5) >= 0.97
    assert len(parts) == pytest.approx(len(survey.pits[survey.pits.diameter_mm >= 1.05]), rel=0.06)
