"""Tone pictures: they read in grey, show what was not read, and say what they show."""

import math
from dataclasses import replace

import numpy as np
import pytest

from rakelight.core.records import (
    COLOUR_COLUMNS,
    MARK_COLUMNS,
    PATCH_COLUMNS,
    PIT_COLUMNS,
    PLAN_COLUMNS,
    ColourReport,
    FaceMap,
    GradeReport,
    Inspection,
    Lamp,
    Quality,
    RepairPlan,
    Scale,
    make_table,
)
from rakelight.core.settings import ReportSettings
from rakelight.report.tone_gallery import draw_patch_gallery
from rakelight.report.tone_map import draw_tone_map, measure_gaps, place_cells
from rakelight.report.tone_strips import draw_tone_strips, lab_to_rgb, summarise_places
from rakelight.report.tone_words import find_hue_letter, pick_colour, say_tone
from rakelight.report.words import list_languages, load_words

SIZE_MM = (600.0, 300.0)
MIDDLE = {"L": 62.0, "a": 0.5, "b": 4.0}
DRIFT = {
    "from": "left", "to": "right", "dE00": 2.1, "low": 1.6, "high": 2.6, "words": "lighter and warmer",
    "verdict": "drift", "is_separated": True,
}  # fmt: skip


def make_report(steps_L=None) -> ColourReport:
    """Return a colour report of 12 x 6 cells, one of them not read, with everything that can be drawn."""
    x, y = (v.ravel() for v in np.meshgrid(np.arange(12) * 50 + 25.0, np.arange(6) * 50 + 25.0))
    steps = np.linspace(-3, 3, 72) if steps_L is None else steps_L
    values = {"x_mm": x, "y_mm": y, "L": MIDDLE["L"] + steps, "a": np.full(72, 0.5), "b": np.full(72, 4.0)}
    blotch = {"x_mm": 150.0, "y_mm": 100.0, "width_mm": 80.0, "height_mm": 60.0, "dE00": 2.4, "words": "darker"}
    joint = {"kind": "joint", "runs": "across", "x_mm": 300.0, "y_mm": 150.0, "lean_deg": 10.0, "dE00": 1.6}
    figures = {
        "median": MIDDLE, "grid_mm": 50.0, "verdict": "uneven", "sentence": "A sentence.", "grey": "none",
        "drift": [DRIFT], "blotches": [blotch] * 8,
        "lines": [joint, joint | {"runs": "along"}, {"kind": "pitch", "runs": "across", "pitch_mm": 150.0}],
    }  # fmt: skip
    return ColourReport(make_table(COLOUR_COLUMNS, values).drop(index=30), figures)


def make_inspection(colour: ColourReport) -> Inspection:
    """Return a record that holds nothing but its colour report."""
    seen = np.ones((30, 60), bool)
    empty = [make_table(columns) for columns in (PIT_COLUMNS, MARK_COLUMNS, PLAN_COLUMNS)]
    return Inspection(
        photos=(), quality=Quality("good", (), 1.0, 1.0, 0.0, 0.0), lamp=Lamp(),
        scale=Scale("mm_per_px", 10.0, 0.0, np.eye(3), SIZE_MM),
        face=FaceMap(np.zeros((30, 60, 3), np.uint8), seen, 10.0),
        pits=empty[0], marks=empty[1], zones=(), grade=GradeReport((), ()), colour=colour,
        plan=RepairPlan(empty[2]), settings={}, version="0", job={"slab": "Bench top"},
    )  # fmt: skip


@pytest.mark.parametrize("draw", [draw_tone_map, draw_tone_strips])
@pytest.mark.parametrize("language", list_languages())
def test_pictures_are_drawn_in_every_language(draw, language):
    """A picture of the asked size in each language, the same each time, with ink on it."""
    settings = ReportSettings(language=language, map_max_side_px=900)
    picture = draw(make_inspection(make_report()), settings=settings)
    assert np.uint8 == picture.dtype and 3 == picture.shape[2]
    assert max(picture.shape) <= 1000
    assert 0.02 < np.mean(picture.min(axis=2) < 200) < 0.95
    assert (picture == draw(make_inspection(make_report()), settings=settings)).all()


@pytest.mark.parametrize("draw", [draw_tone_map, draw_tone_strips])
def test_a_record_without_colour_draws_too(draw):
    """No soft-light photo: a picture that says so, and no error."""
    picture = draw(make_inspection(ColourReport(make_table(COLOUR_COLUMNS))))
    assert np.mean(picture < 128) > 0.001


def test_the_ramp_orders_in_grey():
    """Every step of the ramp is lighter than the one before, in grey as well (a law of the picture)."""
    grey = pick_colour(np.linspace(0, 1, 101)).astype(float) @ [0.299, 0.587, 0.114]
    assert (np.diff(grey) > 0).all()


def test_the_ramp_orders_for_colour_blind_eyes():
    """Without the red-green difference (red and green mixed) the order stays."""
    colours = pick_colour(np.linspace(0, 1, 101)).astype(float)
    assert (np.diff(colours[:, :2].mean(axis=1)) > 0).all()


def test_darker_cells_are_drawn_darker():
    """Cells from dark to light on the slab come out from dark to light on the map."""
    report = make_report()
    plain = replace(report, figures=report.figures | {"blotches": [], "lines": []})
    picture = draw_tone_map(make_inspection(plain))
    assert find_shade(picture, report, 0) < find_shade(picture, report, 36) < find_shade(picture, report, 70)


def find_shade(picture: np.ndarray, report: ColourReport, row: int) -> float:
    """Return how light the colour of a table row is, after making sure that it is on the picture."""
    tone = report.table.iloc[row]
    gap = measure_gaps(np.array([[tone["L"], tone["a"], tone["b"]]]), report.figures)[0]
    colour = pick_colour(0.5 + math.copysign(0.5, tone["L"] - MIDDLE["L"]) * gap / 3.0)
    assert (picture == colour).all(axis=2).any()
    return float(colour.mean())


def test_cells_lie_where_the_table_says():
    """Boxes of 50 mm from the top left, cut at the edge of the face."""
    table = make_table(COLOUR_COLUMNS, {"x_mm": [25.0, 605.0], "y_mm": [75.0, 25.0]})
    assert [[0, 50, 50, 100], [600, 0, 610, 50]] == place_cells(table, 50.0, (610.0, 300.0)).tolist()


def test_places_are_summarised_across():
    """The median and the middle half of the cells at each place, in order."""
    places = summarise_places(make_report(np.repeat([-2.0, 2.0], 36)).table)
    assert 12 == len(places) and places["x_mm"].is_monotonic_increasing
    assert (60.0, 64.0) == (places["L_low"][0], places["L_high"][0])


def test_swatches_are_true_to_the_tone():
    """Mid grey of L* 53.585 is code 128, within one code."""
    assert (128, 128, 128) == pytest.approx(lab_to_rgb(np.array([53.585, 0, 0])), abs=1)


def test_tone_words_are_translated():
    """Words of the record come out in the language of the picture; unknown ones as no difference."""
    assert "dunkler und wärmer" == say_tone("darker and warmer", load_words("de"))
    assert "lighter" == say_tone("lighter", load_words("en"))
    assert load_words("es").say("tone.same") == say_tone("no clear difference", load_words("es"))


def test_letters_name_the_hue_that_leads():
    """Lightness gets no letter; warm, cool, red and green their own."""
    words = load_words("en")
    steps = ([-3, 0, 0], [0, 0, 2], [0, 0, -2], [0, 2, 0], [0, -2, 0])
    assert ["", "w", "c", "r", "g"] == [find_hue_letter(np.array(step), words) for step in steps]


def test_the_gallery_shows_the_worst_first():
    """The most different patch stands first, those not judged last; no patches give a sheet that says so."""
    face = FaceMap(np.full((400, 400, 3), 160, np.uint8), np.ones((400, 400), bool), 0.5)
    face.rgb[80:120, 80:120] = 60
    values = {
        "patch_id": [1, 2, 3], "x_mm": [150.0, 50.0, np.nan], "y_mm": [150.0, 50.0, 10.0],
        "diameter_mm": [10.0, 20.0, 4.0], "dE00": [0.5, 9.0, np.nan], "dE00_sd": [0.1, 0.1, np.nan],
        "words": ["no clear difference", "darker", "place not known"], "reads_as_spot": [False, True, False],
        "age_days": [6.0, np.nan, np.nan],
    }  # fmt: skip
    picture = draw_patch_gallery(face, make_table(PATCH_COLUMNS, values), spot_dE00=2.0)
    assert (picture[132:352, 36:256] == 60).any(axis=2).mean() > 0.05
    assert not (picture[132:352, 280:500] == 60).all(axis=2).any()
    assert draw_patch_gallery(face, make_table(PATCH_COLUMNS), spot_dE00=2.0).shape[0] < picture.shape[0]
