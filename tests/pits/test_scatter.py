"""Crowded, by chance or even: published formulas, worked values and laws."""

import json
from pathlib import Path

import numpy as np
import pytest

from rakelight.core.records import FaceMap
from rakelight.core.settings import ZoneSettings
from rakelight.pits.scatter import (
    compare_nearest,
    count_neighbours,
    judge_scatter,
    lay_ground,
    measure_ground,
)

CASES = {
    case["id"]: case
    for case in json.loads((Path(__file__).parents[1] / "data" / "scatter.json").read_text())
}
POINTS = np.array(CASES["clark_evans_cluster"]["inputs"]["points"], float)


def make_ground(width_mm, height_mm, n=50):
    """Return a rectangle that is seen everywhere."""
    return measure_ground(np.ones((n, n), bool), (width_mm / n, height_mm / n))


@pytest.mark.parametrize("name", ["clark_evans_grid", "clark_evans_cluster"])
def test_nearest_neighbours_agree_with_worked_values(name):
    """Mean distance, ratio, z and Donnelly's ratio of two worked cases."""
    case = CASES[name]
    points = np.array(case["inputs"]["points"], float)
    found = compare_nearest(points, make_ground(*case["inputs"]["window"]))
    expected = case["expected"]
    assert expected["mean_nn"] == pytest.approx(found["mean_mm"], abs=case["tolerance"])
    assert expected["expected"] == pytest.approx(found["expected_mm"], abs=case["tolerance"])
    assert expected["R"] == pytest.approx(found["ratio"], abs=case["tolerance"])
    assert expected["z"] == pytest.approx(found["z"], abs=case["tolerance"])
    assert expected["R_donnelly"] == pytest.approx(found["ratio_edge"], abs=case["tolerance"])


def test_a_hexagonal_lattice_has_the_largest_ratio():
    """Far from any edge a hexagonal lattice reaches 2.1491, the bound known from the literature."""
    rows, cols = np.mgrid[:60, :60]
    points = np.column_stack([(cols + rows % 2 / 2).ravel(), (rows * np.sqrt(3) / 2).ravel()])
    ground = make_ground(60, 60 * np.sqrt(3) / 2)
    assert CASES["clark_evans_hex"]["expected"] == pytest.approx(
        compare_nearest(points, ground)["ratio"], abs=1e-4
    )


@pytest.mark.parametrize("name", ["ripley_K_r1", "ripley_K_r2"])
def test_neighbour_counts_agree_with_worked_values(name):
    """K with translation correction and L - r of the worked case."""
    case = CASES[name]
    r = case["inputs"]["r"]
    k = count_neighbours(POINTS, np.array([r]), make_ground(10, 10))
    assert case["expected"]["K_translate"] == pytest.approx(k[0], abs=case["tolerance"])
    assert case["expected"]["L_minus_r_translate"] == pytest.approx(
        np.sqrt(k[0] / np.pi) - r, abs=case["tolerance"]
    )


def test_many_faces_at_once_are_counted_as_one_by_one():
    """Three faces in one call give what three calls give (plain version)."""
    rng = np.random.default_rng(2)
    faces, distances, ground = (
        rng.uniform(0, 10, (3, 40, 2)),
        np.linspace(0.2, 2, 6),
        make_ground(10, 10),
    )
    one_by_one = np.array([count_neighbours(face, distances, ground) for face in faces])
    np.testing.assert_allclose(count_neighbours(faces, distances, ground), one_by_one, rtol=1e-12)


def test_a_face_with_an_opening_needs_the_same_k():
    """Pits strewn over a face with a hole give K near pi r^2: mean of 60 faces within 3 % (law)."""
    seen = np.ones((60, 80), bool)
    seen[20:45, 30:60] = False
    ground = measure_ground(seen, (5.0, 5.0))
    faces = ground.strew(60, 150, np.random.default_rng(5))
    distances = np.array([20.0, 40.0, 60.0])
    k = count_neighbours(faces, distances, ground).mean(axis=0)
    np.testing.assert_allclose(k, np.pi * distances**2, rtol=0.03)


def test_random_faces_are_called_crowded_no_more_often_than_the_level():
    """Of 100 faces strewn by chance at most 10 get a verdict at the 5 % level (97.5 % bound is 9.9)."""
    ground, rng = make_ground(600, 400), np.random.default_rng(11)
    settings = ZoneSettings(n_random=39)
    verdicts = [
        judge_scatter(ground.strew(1, 60, rng)[0], ground, settings=settings).verdict
        for _ in range(100)
    ]
    assert sum(verdict != "by_chance" for verdict in verdicts) <= 10


def test_crowds_and_lattices_get_their_names():
    """A third of the pits in one corner is crowded; a jittered lattice is even; five pits are too few."""
    ground, rng = make_ground(600, 400), np.random.default_rng(3)
    spread = ground.strew(1, 80, rng)[0]
    crowded = np.vstack([spread, rng.normal(100, 15, (40, 2))])
    x, y = np.meshgrid(np.arange(20, 600, 40.0), np.arange(20, 400, 40.0))
    even = np.column_stack([x.ravel(), y.ravel()]) + rng.normal(0, 3, (x.size, 2))
    assert "crowded" == judge_scatter(crowded, ground).verdict
    assert "even" == judge_scatter(even, ground).verdict
    assert "too_few" == judge_scatter(spread[:5], ground).verdict


def test_pits_that_only_cannot_overlap_are_not_called_even():
    """Random pits that keep a diameter apart are by chance once their size is told, even when it is not."""
    rng, kept = np.random.default_rng(8), []
    for place in rng.uniform(0, 200, (4000, 2)):
        if len(kept) < 200 and all(np.hypot(*(place - other)) > 4.0 for other in kept):
            kept.append(place)
    ground = make_ground(200, 200)
    assert "even" == judge_scatter(np.array(kept), ground).verdict
    told = judge_scatter(np.array(kept), ground, diameter_mm=np.full(len(kept), 4.0))
    assert "by_chance" == told.verdict


def test_ground_of_a_face_has_its_area_and_edges():
    """A 200 x 100 mm face with a 50 x 40 mm opening: 18 000 mm2 and 780 mm of edges, within 2 %."""
    seen = np.ones((400, 800), bool)
    seen[100:260, 200:400] = False
    ground = lay_ground(FaceMap(np.zeros((400, 800, 3), np.uint8), seen, 0.25))
    assert 18_000 == pytest.approx(ground.area_mm2, rel=0.02)
    assert 780 == pytest.approx(ground.perimeter_mm, rel=0.02)
