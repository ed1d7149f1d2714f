"""Made-up surveys of one face as records: positions, sizes and what a photo would miss."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import pytest

from rakelight.core.records import (
    COLOUR_COLUMNS,
    MARK_COLUMNS,
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
from rakelight.core.settings import Settings

FACE_MM = (1200.0, 600.0)


def build_survey(pits: pd.DataFrame, marks: pd.DataFrame | None = None, **changes) -> Inspection:
    """Return a survey that holds these pits and nothing measured besides."""
    smallest_mm = changes.pop("smallest_mm", 1.0)
    size_mm = changes.pop("size_mm", FACE_MM)
    survey = Inspection(
        photos=({"name": "photo.jpg", "sha256": "0" * 64},),
        quality=Quality("good", (), 1.0, 0.01, 0.0, 0.0, smallest_countable_mm=smallest_mm),
        scale=Scale("corners", 0.15, 0.0003, np.eye(3), size_mm),
        lamp=Lamp(270.0, 15.0, basis="said"),
        face=FaceMap(np.zeros((0, 0, 3), np.uint8), np.zeros((0, 0), bool), 0.15),
        pits=pits,
        marks=make_table(MARK_COLUMNS) if marks is None else marks,
        zones=(),
        grade=GradeReport((), ()),
        colour=ColourReport(make_table(COLOUR_COLUMNS)),
        plan=RepairPlan(make_table(PLAN_COLUMNS)),
        settings=Settings().to_mapping(),
        version="0",
    )
    return replace(survey, **changes)


def build_pits(x_mm, y_mm, diameter_mm, **columns) -> pd.DataFrame:
    """Return a pit table of round pits; depth is half the diameter unless given."""
    diameter_mm = np.asarray(diameter_mm, float)
    values = {
        "pit_id": np.arange(1, len(diameter_mm) + 1),
        "x_mm": np.asarray(x_mm, float),
        "y_mm": np.asarray(y_mm, float),
        "diameter_mm": diameter_mm,
        "length_mm": diameter_mm,
        "width_mm": diameter_mm,
        "area_mm2": np.pi / 4 * diameter_mm**2,
        "depth_mm": diameter_mm / 2,
        "confidence": np.full(len(diameter_mm), 0.95),
        "diameter_sd_mm": 0.08 * diameter_mm,
    }
    return make_table(PIT_COLUMNS, {**values, **columns})


@dataclass
class Case:
    """Two surveys and the truth: which real place each pit number is, and its true state."""

    before: Inspection
    after: Inspection
    before_place: np.ndarray
    after_place: np.ndarray
    truth: np.ndarray
    diameter_mm: np.ndarray


def build_case(
    seed: int, *, n=300, filled=0.7, dished=0.1, new=0.02, move=None, spread_mm=0.3, smallest_mm=0.8
) -> Case:
    """Return a face before and after repair as two photos would list it.

    A part of what was filled sank (dished). Sizes are noisy, small pits are missed by a steep
    curve, one pit in two hundred listed is false. `move` is a 3 x 3 matrix in mm for the later plan.
    """
    rng = np.random.default_rng(seed)
    n_new = max(round(new * n), 1)
    n_all = n + n_new
    x_mm, y_mm = rng.uniform(5, FACE_MM[0] - 5, n_all), rng.uniform(5, FACE_MM[1] - 5, n_all)
    size_mm = np.clip(rng.lognormal(np.log(2.0), 0.6, n_all), 0.5, 15)
    depth_share = rng.uniform(0.25, 0.55, n_all)
    truth = np.full(n_all, "open", object)
    touched = rng.permutation(n)[: round((filled + dished) * n)]
    truth[touched] = "closed"
    truth[touched[: round(dished * n)]] = "dished"
    truth[n:] = "new"
    was = np.flatnonzero(truth != "new")
    now = np.flatnonzero(truth != "closed")
    sunk = np.where(truth == "dished", rng.uniform(0.1, 0.35, n_all), 1.0)
    before, before_place = _see(rng, x_mm, y_mm, size_mm, depth_share, was, spread_mm, np.eye(3))
    after, after_place = _see(
        rng,
        x_mm,
        y_mm,
        size_mm,
        depth_share * sunk,
        now,
        spread_mm,
        np.eye(3) if move is None else move,
    )
    changes = {"smallest_mm": smallest_mm}
    return Case(
        build_survey(before, **changes),
        build_survey(after, **changes),
        before_place,
        after_place,
        truth,
        size_mm,
    )


def _see(rng, x_mm, y_mm, size_mm, depth_share, there, spread_mm, move):
    chance = 1 / (1 + np.exp(-10 * np.log(size_mm[there] / 0.6)))
    there = there[rng.random(len(there)) < chance]
    n_false = rng.binomial(len(there), 0.005)
    place = np.concatenate([there, np.full(n_false, -1)])
    x = np.concatenate([x_mm[there], rng.uniform(0, FACE_MM[0], n_false)])
    y = np.concatenate([y_mm[there], rng.uniform(0, FACE_MM[1], n_false)])
    size = np.concatenate([size_mm[there], rng.uniform(0.7, 1.5, n_false)])
    depth = np.concatenate([depth_share[there], np.full(n_false, 0.2)])
    moved = move @ np.vstack([x, y, np.ones(len(x))])
    x, y = moved[:2] / moved[2] + rng.normal(0, spread_mm, (2, len(x)))
    size = size * np.exp(rng.normal(0, 0.08, len(size)))
    depth = size * depth * np.exp(rng.normal(0, 0.25, len(size)))
    order = rng.permutation(len(x))
    sure = np.full(len(x), 0.995)
    pits = build_pits(x[order], y[order], size[order], depth_mm=depth[order], confidence=sure)
    return pits, place[order]


@pytest.fixture
def make_pits():
    """Return the builder of pit tables."""
    return build_pits


@pytest.fixture
def make_survey():
    """Return the builder of surveys."""
    return build_survey


@pytest.fixture
def make_case():
    """Return the builder of before and after with their truth."""
    return build_case
