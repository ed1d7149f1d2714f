"""A map on disk, read in strips: the same pits as in one piece."""

import numpy as np
import pandas as pd
import pytest

from rakelight.core.records import FaceMap, Lamp, Scale
from rakelight.core.settings import Settings
from rakelight.large_map import read_large_map
from rakelight.light.background import flatten_light
from rakelight.pits.find import build_octaves, find_pits
from rakelight.pits.measure import choose_pits, list_marks, measure_pits
from rakelight.pits.sort import sort_candidates
from rakelight.simulate import Lamp as SceneLamp
from rakelight.simulate import choose_recipe, simulate_photo

MM_PER_PX = 0.2
FAR_LAMP = Lamp(270.0, 15.0, basis="said")
NEAR_LAMP = Lamp(at_mm=(-300.0, 150.0, 120.0), basis="said")


@pytest.fixture(scope="module")
def tall():
    """A made-up face of 600 x 2000 px: three strips, a part of it hidden."""
    recipe = choose_recipe("worn", size_mm=(120, 400), mm_per_px=MM_PER_PX, pits_per_m2=3000)
    rgb = simulate_photo(31, recipe=recipe, lamp=SceneLamp(270.0, 15.0)).rgb
    seen = np.ones(rgb.shape[:2], bool)
    seen[700:900, 200:330] = False
    return rgb, seen


def read_whole(face, lamp, scale):
    """Return pits and marks of a map held in memory in one piece."""
    settings, flat = Settings(), flatten_light(face)
    octaves = build_octaves(flat)
    entries = sort_candidates(
        octaves, find_pits(octaves, lamp, face.mm_per_px), lamp, face.mm_per_px
    )
    chosen = choose_pits(
        entries, face.mm_per_px, smallest_mm=settings.find.smallest_mm, confidence_min=0.5
    )
    measured = measure_pits(chosen, face, flat, lamp, scale=scale)
    return measured.pits, list_marks(entries, face.mm_per_px, smallest_mm=settings.find.smallest_mm)


def lay_on_disk(folder, rgb, seen):
    """Return a face whose pixels lie in files."""
    np.save(folder / "rgb.npy", rgb)
    np.save(folder / "seen.npy", seen)
    pixels, mask = (np.load(folder / f"{name}.npy", mmap_mode="r") for name in ("rgb", "seen"))
    return FaceMap(pixels, mask, MM_PER_PX)


def in_order(table):
    """Return a table from the top down, without its numbers."""
    return table.sort_values(["y_mm", "x_mm"]).drop(columns=table.columns[0]).reset_index(drop=True)


@pytest.mark.parametrize(
    ("lamp", "is_hidden"), [(FAR_LAMP, False), (FAR_LAMP, True), (NEAR_LAMP, True)]
)
def test_strips_and_one_piece_give_the_same(tall, tmp_path, lamp, is_hidden):
    """Pits and marks read in strips are those of the map in one piece: all columns to a thousandth (rounding)."""
    rgb, seen = tall
    seen = seen if is_hidden else np.ones_like(seen)
    face = lay_on_disk(tmp_path, rgb, seen)
    scale = Scale("marks", MM_PER_PX, 0.0, np.eye(3), face.size_mm)
    measured, marks = read_large_map(face, lamp, scale)
    pits, other = read_whole(FaceMap(rgb, seen, MM_PER_PX), lamp, scale)
    assert len(pits) > 60
    pd.testing.assert_frame_equal(in_order(pits), in_order(measured.pits), atol=1e-3, rtol=1e-3)
    pd.testing.assert_frame_equal(in_order(other), in_order(marks), atol=1e-3, rtol=1e-3)
    assert list(range(1, len(pits) + 1)) == measured.pits.pit_id.tolist()
    assert len(pits) == len(measured.outlines_mm) == len(measured.evidence)


def test_an_even_map_gives_empty_tables(tmp_path):
    """A face without anything on it gives empty tables with all columns."""
    rgb = np.full((900, 400, 3), 120, np.uint8)
    face = lay_on_disk(tmp_path, rgb, np.ones(rgb.shape[:2], bool))
    scale = Scale("marks", MM_PER_PX, 0.0, np.eye(3), face.size_mm)
    measured, marks = read_large_map(face, FAR_LAMP, scale)
    assert (0, 0, 0) == (len(measured.pits), len(marks), len(measured.outlines_mm))
