"""Filled pits against the ring around them."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from rakelight.colour.difference import measure_dE00
from rakelight.colour.evenface import even_face
from rakelight.colour.patches import list_spots, measure_patches
from rakelight.core.records import PATCH_COLUMNS
from rakelight.simulate.camera import Camera

from .scenes import GREY_MM, Scene

MM_PER_PX = 0.4
STEPS = ((-5.0, 0.0, 0.0), (-3.0, 0.2, 1.0), (3.0, 0.0, 0.0), (2.5, -0.3, -1.0), (-0.5, 0.0, 0.0))
SIZES_PX = (8, 12, 20, 40)


def make_scene(*, jpeg_quality: int | None) -> Scene:
    """Return a face with 20 patches of four sizes and five tones on a nearly even slab."""
    patches = tuple(
        (60.0 + 60 * i + 0.13 * j, 170.0 + 50 * j, size * MM_PER_PX, *step)
        for i, step in enumerate(STEPS)
        for j, size in enumerate(SIZES_PX)
    )
    camera = Camera(vignetting=0.2, jpeg_quality=jpeg_quality)
    return Scene(seed=71, size_mm=(400.0, 400.0), mm_per_px=MM_PER_PX, patches=patches, mottle_L=0.2, camera=camera)


def measure_scene(scene: Scene, **changes) -> pd.DataFrame:
    """Return the patch table of a scene."""
    places = pd.DataFrame([p[:3] for p in scene.patches], columns=["x_mm", "y_mm", "diameter_mm"])
    return measure_patches(even_face(scene.take(), grey=GREY_MM), places, **changes)


def find_truth(scene: Scene) -> np.ndarray:
    """Return the painted dE00 of every patch."""
    tone = np.array([scene.L, scene.a, scene.b])
    return np.array([float(measure_dE00(tone + p[3:], tone)) for p in scene.patches])


@pytest.fixture(scope="module")
def plain_face():
    """A face without patches, ready to be read."""
    scene = Scene(seed=72, size_mm=(300.0, 300.0), mm_per_px=MM_PER_PX)
    return even_face(scene.take(), grey=GREY_MM)


@pytest.fixture(scope="module")
def table() -> pd.DataFrame:
    """The patches of a JPEG."""
    return measure_scene(make_scene(jpeg_quality=92), ages_days=6.0)


def test_patches_of_a_jpeg(table):
    """From 8 pixels on: .5 dE00 rms, the limit set for the tool (a JPEG's colour steps are in it)."""
    error = table["dE00"] - find_truth(make_scene(jpeg_quality=92))
    assert np.sqrt(np.mean(np.square(error))) <= 0.5


def test_patches_without_a_jpegs_rounding():
    """Without it every one of the 20 patches is right to .5 dE00."""
    scene = make_scene(jpeg_quality=None)
    assert find_truth(scene) == pytest.approx(measure_scene(scene)["dE00"].to_numpy(), abs=0.5)


def test_words_spots_and_age(table):
    """The darkest patches are called darker and read as spots, the faint ones do not; the age is kept."""
    assert list(table.columns) == [column.name for column in PATCH_COLUMNS]
    assert table["words"][:4].str.startswith("darker").all()
    assert table["words"][8:12].str.startswith("lighter").all()
    assert table["reads_as_spot"][:4].all() and not table["reads_as_spot"][16:].any()
    assert (table["age_days"] == 6.0).all()
    spots = list_spots(table)
    assert spots["dE00"].is_monotonic_decreasing and (spots["dE00"] >= 2.0).all()


def test_a_patch_does_not_feel_the_lamp(table):
    """The same patch under a lamp that falls off and in even light: .4 dE00 apart at most."""
    even = measure_scene(replace(make_scene(jpeg_quality=92), lamp=None))
    assert np.abs(table["dE00"] - even["dE00"]).median() < 0.4


@pytest.mark.parametrize(
    ("place", "words"),
    [
        ((200.0, 300.0, 2.0), "too small to judge"),
        ((np.nan, 300.0, 8.0), "place not known"),
        ((-50.0, 300.0, 8.0), "not seen"),
    ],
)
def test_what_cannot_be_judged_says_why(plain_face, place, words):
    """Too small, nowhere or outside: NaN and the reason, never a spot."""
    places = pd.DataFrame([place], columns=["x_mm", "y_mm", "diameter_mm"])
    row = measure_patches(plain_face, places).iloc[0]
    assert words == row["words"]
    assert np.isnan(row["dE00"]) and not row["reads_as_spot"]


def test_a_patch_inside_another_has_no_ring(plain_face):
    """Where all around is patched too, nothing is left to hold the patch against."""
    places = pd.DataFrame({"x_mm": [200.0, 200.0], "y_mm": [220.0, 220.0], "diameter_mm": [8.0, 60.0]})
    table = measure_patches(plain_face, places)
    assert "no clean ring" == table["words"][0]
    assert np.isnan(table["dE00"][0]) and np.isfinite(table["dE00"][1])


def test_numbers_of_the_pits_are_kept_and_none_gives_none(plain_face):
    """pit_id names the patches; an empty table gives an empty table with all columns."""
    pits = pd.DataFrame({"pit_id": [17], "x_mm": [60.0], "y_mm": [270.0], "diameter_mm": [8.0]})
    assert [17] == measure_patches(plain_face, pits)["patch_id"].to_list()
    empty = measure_patches(plain_face, pits.head(0))
    assert 0 == len(empty) and len(PATCH_COLUMNS) == len(empty.columns)


def test_a_neighbour_is_no_part_of_the_ring():
    """A dark patch 14 mm away does not change the answer by .3 dE00."""
    patches = ((200.0, 250.0, 8.0, -3.0, 0.0, 0.0), (214.0, 250.0, 12.0, -12.0, 0.0, 0.0))
    scene = replace(make_scene(jpeg_quality=None), patches=patches, mottle_L=0.0)
    row = measure_scene(scene).iloc[0]
    assert find_truth(scene)[0] == pytest.approx(row["dE00"], abs=0.3)
