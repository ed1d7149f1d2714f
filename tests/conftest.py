"""Photos on disk and made-up faces, shared by the tests."""

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from rakelight.core.records import (
    COLOUR_COLUMNS,
    MARK_COLUMNS,
    PIT_COLUMNS,
    PLAN_COLUMNS,
    ColourReport,
    FaceMap,
    GradeReport,
    Inspection,
    Quality,
    RepairPlan,
    Scale,
    make_table,
)
from rakelight.core.records import Lamp as SaidLamp
from rakelight.core.settings import Settings
from rakelight.simulate import Lamp, choose_recipe, simulate_photo


@pytest.fixture(scope="session")
def made_up():
    """A small made-up photo with its truth: 120 x 90 mm at .15 mm/px, lit from the left at 15 degrees."""
    recipe = choose_recipe("worn", size_mm=(120, 90), mm_per_px=0.15, pits_per_m2=3500)
    return simulate_photo(31, recipe=recipe, lamp=Lamp(270.0, 15.0))


@pytest.fixture(scope="session")
def photo_file(made_up, tmp_path_factory) -> Path:
    """The same photo as a JPEG file."""
    path = tmp_path_factory.mktemp("photos") / "bench é.jpg"
    Image.fromarray(made_up.rgb).save(path, quality=93)
    return path


@pytest.fixture(scope="session")
def grade_values():
    """Published and worked-out values of grades and amounts by name."""
    path = Path(__file__).resolve().parent / "data" / "grade.json"
    return {entry["id"]: entry for entry in json.loads(path.read_text(encoding="utf-8"))}


@pytest.fixture(scope="session")
def make_face():
    """Return a function that makes a face of (width, height) mm, with unseen boxes."""

    def make(width_mm, height_mm, *, mm_per_px=1.0, unseen=()):
        shape = round(height_mm / mm_per_px), round(width_mm / mm_per_px)
        seen = np.ones(shape, bool)
        for left, top, right, bottom in np.asarray(unseen, float).reshape(-1, 4) / mm_per_px:
            seen[round(top) : round(bottom), round(left) : round(right)] = False
        return FaceMap(np.zeros((*shape, 3), np.uint8), seen, mm_per_px)

    return make


@pytest.fixture(scope="session")
def make_pits():
    """Return a function that makes a pit table from places and diameters, mm."""

    def make(x_mm, y_mm, diameter_mm, **columns):
        x_mm = np.asarray(x_mm, float)
        diameter_mm = np.broadcast_to(np.asarray(diameter_mm, float), x_mm.shape).copy()
        values = {
            "pit_id": np.arange(1, len(x_mm) + 1),
            "x_mm": x_mm,
            "y_mm": np.asarray(y_mm, float),
            "diameter_mm": diameter_mm,
            "length_mm": diameter_mm,
            "width_mm": diameter_mm,
            "area_mm2": np.pi * diameter_mm**2 / 4,
            "confidence": np.ones(len(x_mm)),
            "depth_basis": ["unknown"] * len(x_mm),
            "diameter_sd_mm": np.zeros(len(x_mm)),
        }
        return make_table(PIT_COLUMNS, values | columns)

    return make


@pytest.fixture(scope="session")
def make_record():
    """Return a function that makes a record of a good photo in which nothing was found but what is named."""

    def make(**changes):
        values = {
            "photos": ({"name": "photo.jpg", "sha256": "0" * 64},),
            "quality": Quality("good", (), 1.0, 0.01, 0.0, 0.0, smallest_countable_mm=1.0),
            "scale": Scale("corners", 0.15, 0.0003, np.eye(3), (1200.0, 600.0)),
            "lamp": SaidLamp(270.0, 15.0, basis="said"),
            "face": FaceMap(np.zeros((0, 0, 3), np.uint8), np.zeros((0, 0), bool), 0.15),
            "pits": make_table(PIT_COLUMNS),
            "marks": make_table(MARK_COLUMNS),
            "zones": (),
            "grade": GradeReport((), ()),
            "colour": ColourReport(make_table(COLOUR_COLUMNS)),
            "plan": RepairPlan(make_table(PLAN_COLUMNS)),
            "settings": Settings().to_mapping(),
            "version": "0",
        }
        return Inspection(**values | changes)

    return make


@pytest.fixture(scope="session")
def spread_pits(make_pits):
    """Return a function that lays (diameter, count) groups on an even grid inside a face."""

    def spread(groups, size_mm):
        diameter_mm = np.concatenate([np.full(n, d, float) for d, n in groups])
        n = len(diameter_mm)
        n_cols = int(np.ceil(np.sqrt(n)))
        pitch = (min(size_mm) - 40) / n_cols
        x_mm = 20 + pitch * (np.arange(n) % n_cols + 0.5)
        y_mm = 20 + pitch * (np.arange(n) // n_cols + 0.5)
        return make_pits(x_mm, y_mm, diameter_mm)

    return spread
