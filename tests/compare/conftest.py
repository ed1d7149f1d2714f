"""Made-up surveys of one face as records: positions, sizes and what a photo would miss."""

from dataclasses import dataclass, replace

import numpy as np
import pytest

from rakelight.core.records import Inspection

FACE_MM = (1200.0, 600.0)


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
    seed: int,
    make_survey,
    make_pits,
    *,
    n=300,
    filled=0.7,
    dished=0.1,
    new=0.02,
    move=None,
    spread_mm=0.3,
    smallest_mm=0.8,
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
    before, before_place = _see(
        make_pits, rng, x_mm, y_mm, size_mm, depth_share, was, spread_mm, np.eye(3)
    )
    after, after_place = _see(
        make_pits,
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
        make_survey(before, **changes),
        make_survey(after, **changes),
        before_place,
        after_place,
        truth,
        size_mm,
    )


def _see(make_pits, rng, x_mm, y_mm, size_mm, depth_share, there, spread_mm, move):
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
    pits = make_pits(x[order], y[order], size[order], depth_mm=depth[order], confidence=sure)
    return pits, place[order]


@pytest.fixture
def make_pits(make_pits):
    """Return a function that makes pits half as deep as wide, measured as well as a photo does."""

    def make(x_mm, y_mm, diameter_mm, **columns):
        diameter_mm = np.asarray(diameter_mm, float)
        known = {"depth_mm": diameter_mm / 2, "diameter_sd_mm": 0.08 * diameter_mm}
        sure = {"confidence": np.full(len(diameter_mm), 0.95)}
        return make_pits(x_mm, y_mm, diameter_mm, **known | sure | columns)

    return make


@pytest.fixture
def make_survey(make_record):
    """Return a function that makes a survey that holds these pits and nothing measured besides."""

    def make(pits, marks=None, *, smallest_mm=1.0, size_mm=FACE_MM, **changes) -> Inspection:
        survey = make_record(pits=pits, **({} if marks is None else {"marks": marks}))
        quality = replace(survey.quality, smallest_countable_mm=smallest_mm)
        scale = replace(survey.scale, size_mm=size_mm)
        return replace(survey, **{"quality": quality, "scale": scale} | changes)

    return make


@pytest.fixture
def make_case(make_survey, make_pits):
    """Return a function that makes before and after with their truth."""
    return lambda seed, **changes: build_case(seed, make_survey, make_pits, **changes)
