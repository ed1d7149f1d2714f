"""Drift from end to end and differences of pours, with their intervals."""

from dataclasses import replace

import numpy as np
import pytest

from rakelight.colour.drift import compare_zones, find_cells_inside, measure_drift, read_strip
from rakelight.colour.falloff import Falloff
from rakelight.colour.rounding import NO_ROUNDING
from rakelight.core.records import COLOUR_COLUMNS, make_table

from .conftest import SMALL, measure_scene
from .scenes import Scene

NO_LAMP = Falloff(np.ones((2, 2, 3), np.float32), "flat", (0.0, 0.0), (0.0, 0.0))


def make_tones(change=(0.0, 0.0, 0.0), *, noise=0.3, seed=0, joint=0.0):
    """Return a table of 24 x 10 cells with a straight change from left to right."""
    rng = np.random.default_rng(seed)
    x, y = (v.ravel() for v in np.meshgrid(np.arange(24) * 50 + 25.0, np.arange(10) * 50 + 25.0))
    tones = np.array([62.0, 0.5, 4.0]) + np.outer(x / 1200 - 0.5, change) + rng.normal(0, noise, (240, 3))
    tones[:, 0] += joint * (x > 600)
    values = {"x_mm": x, "y_mm": y} | {name: tones[:, k] for k, name in enumerate("Lab")}
    return make_table(COLOUR_COLUMNS, values)


def test_a_straight_change_is_found_with_its_size():
    """3 L* from left to right, read on cells with .3 of noise, to .2; nothing from top to bottom."""
    along, across = measure_drift(make_tones((3.0, 0, 0)), (1200.0, 500.0), NO_LAMP)
    assert 3.0 == pytest.approx(along["dL"], abs=0.2)
    assert along["low"] <= along["dE00"] <= along["high"]
    assert ("drift", "lighter") == (along["verdict"], along["words"])
    assert "even" == across["verdict"]


def test_a_change_of_hue_is_found_too():
    """3 in b* is a drift toward warm."""
    along, _ = measure_drift(make_tones((0, 0, 3.0)), (1200.0, 500.0), NO_LAMP)
    assert ("drift", "warmer") == (along["verdict"], along["words"])


def test_even_cells_are_called_even_at_their_rate():
    """No drift is claimed on even cells in at least 95 of 100 draws (95 % intervals; 3 sd of the count allowed)."""
    n_claims = sum(
        measure_drift(make_tones(seed=seed), (1200.0, 500.0), NO_LAMP)[0]["low"] > 0 for seed in range(100)
    )
    assert n_claims <= 11


def test_a_drift_is_covered_at_its_rate():
    """The 95 % interval holds a drift of 2 L* in at least 88 of 100 draws (3 sd of the count allowed)."""
    held = 0
    for seed in range(100):
        answer = measure_drift(make_tones((2.0, 0, 0), seed=seed), (1200.0, 500.0), NO_LAMP)[0]
        held += abs(answer["dL"] - 2.0) <= 2.07 * answer["dL_sd"]
    assert held >= 88


@pytest.mark.parametrize("way", ["flat", "turned"])
def test_a_true_drift_is_found_under_a_lamp(way):
    """3 L* of drift under a lamp that falls off: found, and held by the interval."""
    scene = Scene(seed=41, drift_L=-3.0, **SMALL)
    answer = measure_scene(scene, way).figures["drift"][0]
    assert "drift" == answer["verdict"]
    assert answer["words"].startswith("darker")
    assert answer["low"] <= 2.6 <= answer["high"]  # 3 L* at L* 64


def test_one_photo_cannot_tell_a_drift_from_the_lamp(even_scene):
    """With the model alone the answer is never `even`, and the interval is as wide as the lamp may do."""
    answers = measure_scene(even_scene, "model").figures["drift"]
    assert {"cannot_tell"} == {answer["verdict"] for answer in answers}
    assert all(answer["high"] > 5 and not answer["is_separated"] for answer in answers)


def test_lamp_uncertainty_widens_the_interval():
    """Half a percent more from end to end adds (L + 16) / 3 times that to the sd, in squares."""
    sure, unsure = (
        measure_drift(make_tones((3.0, 0, 0)), (1200.0, 500.0), replace(NO_LAMP, end_sd=(sd, sd)))[0]["dL_sd"]
        for sd in (0.0, 0.02)
    )
    assert np.hypot(sure, 0.02 * 78 / 3) == pytest.approx(unsure, rel=0.01)


def test_a_finer_file_narrows_the_interval():
    """What the file rounds in a* and b* is part of the interval of a change of hue."""
    table = make_tones((0.0, 1.5, 0.0))
    flat = Falloff(np.ones((2, 2, 3), np.float32), "flat", (0.005, 0.005), (0.0, 0.0))
    usual, fine = (
        measure_drift(table, (2400.0, 700.0), flat, rounding=rounding)[0] for rounding in (None, NO_ROUNDING)
    )
    assert fine["high"] - fine["low"] < usual["high"] - usual["low"]
    assert usual["dE00"] == pytest.approx(fine["dE00"])


def test_too_few_cells_give_no_drift():
    """Three places along an axis are no line."""
    table = make_tones()
    assert [] == measure_drift(table[(table["x_mm"] < 150) & (table["y_mm"] < 150)], (1200.0, 500.0), NO_LAMP)


def test_pours_are_compared_pair_by_pair():
    """A step of 2 L* between two pours is found; openings and tiny zones are passed over."""
    zones = [
        {"name": "A", "kind": "pour", "x_mm": 0, "y_mm": 0, "width_mm": 600, "height_mm": 500},
        {"name": "B", "outline_mm": [(600, 0), (1200, 0), (1200, 500), (600, 500)]},
        {"name": "sink", "kind": "opening", "x_mm": 100, "y_mm": 100, "width_mm": 300, "height_mm": 300},
        {"name": "C", "kind": "pour", "x_mm": 0, "y_mm": 0, "width_mm": 10, "height_mm": 10},
    ]
    (pair,) = compare_zones(make_tones(joint=2.0), zones, NO_LAMP)
    assert ("A", "B") == pair["zones"]
    assert 2.0 == pytest.approx(pair["dL"], abs=0.2)
    assert ("drift", "lighter") == (pair["verdict"], pair["words"])
    assert [] == compare_zones(make_tones(), zones[:1], NO_LAMP)


def test_cells_inside_a_zone():
    """A rectangle and the same as an outline hold the same cells."""
    table = make_tones()
    rect = {"name": "A", "x_mm": 100, "y_mm": 0, "width_mm": 300, "height_mm": 200}
    outline = {"name": "A", "outline_mm": [(100, 0), (400, 0), (400, 200), (100, 200)]}
    assert 24 == find_cells_inside(table, rect).sum()
    assert (find_cells_inside(table, rect) == find_cells_inside(table, outline)).all()


def test_a_strip_is_the_median_across():
    """One wild cell does not move the strip; places come in order with their counts."""
    table = make_tones(noise=0.0)
    table.loc[table["x_mm"] == 75.0, "L"] = [*table.loc[table["x_mm"] == 75.0, "L"][:-1], 20.0]
    strip = read_strip(table)
    assert list(strip["place_mm"]) == sorted(strip["place_mm"]) and set(strip["n"]) == {10}
    assert 62.0 == pytest.approx(strip["L"][1])
