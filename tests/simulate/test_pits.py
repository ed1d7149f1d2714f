"""Made-up pits: sizes and volumes against solid geometry and a second way of measuring."""

import json
from pathlib import Path

import numpy as np
import pytest

from rakelight.simulate.bubbles import Bubble
from rakelight.simulate.pits import (
    SHAPES,
    Lobe,
    Pit,
    build_pit,
    draw_mouth,
    measure_calipers,
    measure_pit,
)

CASES = json.loads((Path(__file__).parents[1] / "data" / "simulate.json").read_text())
VOLUMES = [case for case in CASES if case["id"].startswith("cap_volume")]


@pytest.mark.parametrize("case", VOLUMES, ids=lambda case: case["id"])
def test_cap_volume_is_that_of_the_solid(case):
    """A spherical cap holds pi d (3 a^2 + d^2) / 6."""
    diameter, depth = case["inputs"]["diameter_mm"], case["inputs"]["depth_mm"]
    pit = build_pit("cap", 30, 20, diameter_mm=diameter, depth_ratio=depth / diameter)
    # A hemisphere's upright lip is the hardest for the integral: .02 %.
    assert case["expected"] == pytest.approx(measure_pit(pit)["volume_mm3"], rel=2e-4)


def test_cap_is_round_where_it_was_put():
    """A cap of 10 x 2 mm has the sizes it was asked for, at its place."""
    sizes = measure_pit(build_pit("cap", 30, 20, diameter_mm=10, depth_ratio=0.2))
    for name, expected in (
        ("x_mm", 30.0),
        ("y_mm", 20.0),
        ("diameter_mm", 10.0),
        ("length_mm", 10.0),
        ("width_mm", 10.0),
        ("area_mm2", 25 * np.pi),
        ("depth_mm", 2.0),
    ):
        # The calipers are read off 512 corners: 2e-5 of the diameter.
        assert expected == pytest.approx(sizes[name], rel=1e-4)


@pytest.mark.parametrize("name", sorted(SHAPES))
def test_two_ways_of_measuring_agree(name):
    """Sizes of every shape agree with a plain count of cells on a grid of .01 diameter."""
    pit = build_pit(
        name, 0, 0, diameter_mm=6, depth_ratio=0.3, rng=np.random.default_rng([7, len(name)])
    )
    sizes = measure_pit(pit)
    step = 0.06
    axis = np.arange(-pit.reach_mm, pit.reach_mm, step) + step / 2
    x, y = np.meshgrid(axis, axis)
    depth = pit.depth_at(x, y)
    inside = depth > 0
    # A cell count of a mouth of some 100 cells across is good to about 1 %.
    assert inside.sum() * step**2 == pytest.approx(sizes["area_mm2"], rel=0.01)
    assert depth.sum() * step**2 == pytest.approx(sizes["volume_mm3"], rel=0.01)
    assert depth.max() == pytest.approx(sizes["depth_mm"], rel=0.02)
    assert x[inside].mean() == pytest.approx(sizes["x_mm"], abs=0.03)
    assert y[inside].mean() == pytest.approx(sizes["y_mm"], abs=0.03)


def test_mouth_keeps_its_area_however_ragged():
    """A ragged mouth of radius 1 has the area of the unit circle."""
    mouth = draw_mouth(np.random.default_rng(3), roughness=0.3, stretch=2.0)
    sizes = measure_pit(Pit(0, 0, (Lobe(1.0, 0.3, mouth=mouth),), "ragged"))
    assert np.pi == pytest.approx(sizes["area_mm2"], rel=1e-3)
    assert sizes["length_mm"] > 2.0 > sizes["width_mm"]


def test_calipers_of_a_rectangle():
    """A rectangle of 4 x 3 is 5 long across the corners and 3 wide."""
    corners = np.array([[0, 0], [4, 0], [4, 3], [0, 3]], float)
    # Directions are tried every degree.
    assert (5.0, 3.0) == pytest.approx(measure_calipers(corners), rel=2e-4)


def test_deep_bubble_has_a_small_mouth_and_upright_wall():
    """A bubble of radius 5 mm, 3.12 mm under the face, opens 8 mm wide with a 6 mm wall."""
    bubble = Bubble(radius_mm=5.0, below_mm=3.12)
    # The skin of .12 mm has broken away, so the mouth is that of a plane .12 mm lower.
    assert 4.0 == pytest.approx(bubble.mouth_mm)
    depth = bubble.depth_at(np.array([0.0, 3.999, 4.001]), np.zeros(3))
    assert [8.12, 3.12 + 3.0013, 0.0] == pytest.approx(list(depth), abs=0.001)


def test_bubble_volume_is_a_cap_when_its_centre_is_above_the_face():
    """A sphere of radius 7.25 mm whose centre is 5.25 mm above the face leaves the 10 x 2 mm cap."""
    pit = Pit(0, 0, (Bubble(7.25, -5.25),), "bubble")
    # Measured on a grid of 160 cells: .5 %.
    assert 82.7286 == pytest.approx(measure_pit(pit)["volume_mm3"], rel=0.005)
    assert 10.0 == pytest.approx(measure_pit(pit)["diameter_mm"], rel=0.005)
