"""How much of a disc lies in a rectangle: closed form against sampling and laws."""

import itertools

import numpy as np
import pytest

from rakelight.grade.discs import corner_area, lay_discs, share_inside


def test_whole_half_and_quarter_disc():
    """A corner far away, at the rim's middle and at the centre gives pi, pi/2 and pi/4."""
    right, below = np.array([2.0, 0.0, 0.0, -2.0]), np.array([2.0, 2.0, 0.0, 2.0])
    assert corner_area(right, below) == pytest.approx([np.pi, np.pi / 2, np.pi / 4, 0.0], abs=1e-12)


def test_corner_area_against_sampling():
    """Random corners agree with counting points of a fine grid inside the disc."""
    rng = np.random.default_rng(3)
    line = (np.arange(1000) + 0.5) / 500 - 1
    x, y = np.meshgrid(line, line)
    inside = x**2 + y**2 <= 1
    for right, below in rng.uniform(-1.2, 1.2, (12, 2)):
        counted = np.count_nonzero(inside & (x <= right) & (y <= below)) * (2 / 1000) ** 2
        # A 1000 x 1000 grid counts an area to about its rim length times half a cell.
        assert corner_area(np.array(right), np.array(below)) == pytest.approx(counted, abs=0.004)


def test_parts_of_a_disc_add_up():
    """Four rectangles that meet inside a disc share it out completely."""
    x, y, radius = np.array([10.0]), np.array([20.0]), np.array([4.0])
    edges = [(0, 0, 11, 18), (11, 0, 40, 18), (0, 18, 11, 40), (11, 18, 40, 40)]
    shares = share_inside(x, y, radius, windows_mm=np.array(edges, float))
    assert shares.sum() == pytest.approx(1.0, abs=1e-12)


def test_cells_hold_the_same_area_as_the_plain_version():
    """Laying discs on uneven cells gives, cell by cell, the share the closed form gives."""
    rng = np.random.default_rng(5)
    x, y, area = rng.uniform(5, 45, 30), rng.uniform(5, 35, 30), rng.uniform(0.5, 60, 30)
    nodes_x, nodes_y = np.array([0, 3, 7.5, 20, 21, 50.0]), np.array([0, 11, 12, 30, 40.0])
    cells = lay_discs(x, y, area, weight=np.ones(30), nodes_x_mm=nodes_x, nodes_y_mm=nodes_y)
    boxes = [
        (left, top, right, bottom)
        for top, bottom in itertools.pairwise(nodes_y)
        for left, right in itertools.pairwise(nodes_x)
    ]
    plain = share_inside(x, y, np.sqrt(area / np.pi), windows_mm=np.array(boxes)) @ area
    assert cells.ravel() == pytest.approx(plain, abs=1e-9)
