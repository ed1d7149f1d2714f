"""Trials against the face, sanded strips, wet and sealed areas."""

import numpy as np
import pytest

from rakelight.colour.balance import Shoot
from rakelight.colour.evenface import even_face
from rakelight.colour.trials import AreaTone, compare_areas, rank_trials, read_area, read_around
from rakelight.core.errors import ColourError
from rakelight.core.records import TRIAL_COLUMNS

from .scenes import GREY_MM, Scene

STRIP = (250.0, 80.0, 150.0, 240.0)


def read_strip(step_L: float, grain: float, seed: int = 81):
    """Return (face around, strip) of a scene with a strip of another tone and grain."""
    scene = Scene(seed=seed, size_mm=(600.0, 400.0), mm_per_px=0.5, strip=(*STRIP, step_L, grain))
    even = even_face(scene.take(), grey=GREY_MM, set_apart=[STRIP])
    return read_around(even, STRIP), read_area(even, STRIP)


def make_area(L: float, *, sd: float = 0.1, grain: float = 1.0) -> AreaTone:
    """Return an area of a known tone."""
    return AreaTone(np.array([L, 0.0, 4.0]), np.full(3, sd), grain, 20, (0.0, 0.0))


@pytest.mark.parametrize(("step_L", "direction"), [(-1.5, "darker"), (1.5, "lighter")])
def test_sanding_shift_has_the_right_direction(step_L, direction):
    """A strip 1.5 L* off: direction, size to .6 L* (mottling), more grain, and the advice to test first."""
    answer = compare_areas(*read_strip(step_L, 2.0), kind="sanded")
    assert direction == answer["direction"]
    assert step_L == pytest.approx(answer["dL"], abs=0.6)
    assert answer["low"] <= answer["dE00"] <= answer["high"]
    assert answer["grain_ratio"] > 1.3
    assert "more sand shows" in answer["sentence"]
    assert answer["advice"].startswith("Test patch first") and "dry" in answer["advice"]


def test_an_untouched_strip_shows_no_clear_shift():
    """No step: no direction, and the grain is about the same (within a sixth)."""
    answer = compare_areas(*read_strip(0.0, 1.0), kind="sanded")
    assert "no clear shift" == answer["direction"]
    assert 1.0 == pytest.approx(answer["grain_ratio"], abs=0.17)


def test_grain_is_not_known_on_coarse_pixels():
    """Pixels of 2.5 mm show no sand: NaN, and no word about it."""
    scene = Scene(seed=82, size_mm=(1200.0, 500.0))
    even = even_face(scene.take(), grey=GREY_MM)
    assert np.isnan(read_area(even, (300, 200, 200, 200)).grain_L)
    answer = compare_areas(make_area(60, grain=np.nan), make_area(58, grain=np.nan), kind="sanded")
    assert np.isnan(answer["grain_ratio"]) and "sand" not in answer["sentence"].replace("sanded", "")


def test_the_nearest_trial_comes_first():
    """Three trials of known steps are ranked by how far they are, and the nearest is marked."""
    spots = ((200.0, 250.0), (300.0, 250.0), (400.0, 250.0))
    steps = (-4.5, -1.0, 3.2)
    patches = tuple((x, y, 60.0, step, 0.0, 0.0) for (x, y), step in zip(spots, steps, strict=True))
    scene = Scene(seed=83, size_mm=(600.0, 400.0), mm_per_px=0.5, patches=patches, mottle_L=0.2)
    rects = [(x - 18, y - 18, 36.0, 36.0) for x, y in spots]
    names = ("grey cement", "with white", "sieved mix")
    trials = [
        dict(zip(("x_mm", "y_mm", "width_mm", "height_mm"), rect, strict=True)) | {"name": name, "age_days": 8}
        for rect, name in zip(rects, names, strict=True)
    ]
    even = even_face(scene.take(), grey=GREY_MM, set_apart=[(160, 210, 280, 80)])
    table = rank_trials(even, trials, target=(200, 330, 200, 60))
    assert ["with white", "sieved mix", "grey cement"] == table["name"].to_list()
    assert [True, False, False] == table["is_nearest"].to_list()
    assert steps == pytest.approx(table.set_index("name").loc[list(names), "dL"].to_list(), abs=0.6)
    assert list(table.columns) == [column.name for column in TRIAL_COLUMNS]
    assert 0 == len(rank_trials(even, []))


def test_trials_that_cannot_be_told_apart_are_both_nearest():
    """Two trials of the same tone on either side share the first place."""
    scene = Scene(seed=84, size_mm=(600.0, 400.0), mm_per_px=0.5, mottle_L=0.5)
    even = even_face(scene.take(), grey=GREY_MM)
    trials = [
        {"name": name, "x_mm": x, "y_mm": 200, "width_mm": 60, "height_mm": 60} for name, x in (("a", 250), ("b", 400))
    ]
    assert rank_trials(even, trials)["is_nearest"].all()


def test_two_photos_are_compared_only_under_the_same_terms():
    """Before and after a sealer: a lost profile or no grey card is refused with the reason."""
    good, other = Shoot(profile="sRGB", exif={"WhiteBalance": 1}), Shoot(exif={"WhiteBalance": 1})
    areas = make_area(60), make_area(55)
    assert "darker" == compare_areas(*areas, kind="sealed", shoots=(good, good))["direction"]
    with pytest.raises(ColourError, match="no colour profile"):
        compare_areas(*areas, kind="sealed", shoots=(good, other))
    with pytest.raises(ColourError, match="grey"):
        compare_areas(*areas, shoots=(good, good), has_grey=False)


def test_each_kind_has_its_sentence_and_advice():
    """Wet and sealed areas advise to wait for dryness; an unknown kind is an error."""
    wet = compare_areas(make_area(60), make_area(50), kind="wet")
    assert wet["sentence"].startswith("The wetted area is darker by") and "dry" in wet["advice"]
    assert "product sheet" in compare_areas(make_area(60), make_area(58), kind="sealed")["advice"]
    with pytest.raises(ColourError, match="kind"):
        compare_areas(make_area(60), make_area(58), kind="painted")


def test_an_area_off_the_face_is_refused():
    """A rectangle where nothing is seen says what to mark."""
    even = even_face(Scene(seed=85, size_mm=(600.0, 400.0)).take(), grey=GREY_MM)
    with pytest.raises(ColourError, match="clean face"):
        read_area(even, (5000, 10, 50, 50))
