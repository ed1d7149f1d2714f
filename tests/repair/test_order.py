"""The way from pit to pit and the names of fields, as a finisher at the front edge counts."""

import itertools

import numpy as np
import pandas as pd
import pytest

from rakelight.repair.fields import divide_face, name_row
from rakelight.repair.order import shorten_way, walk_pits


def table(x, y):
    """Places as a pit table."""
    return pd.DataFrame({"x_mm": np.asarray(x, float), "y_mm": np.asarray(y, float)})


def length_of(points, order, start, end):
    """Length of a way from start through the points in order to end."""
    way = np.vstack([start, points[list(order)], end])
    return np.hypot(*np.diff(way, axis=0).T).sum()


def test_a1_lies_front_left():
    """The bottom-left field of the plan is A1, the row behind it B, numbers run to the right."""
    grid = divide_face((900, 600), 300)
    names = [
        grid.name(int(grid.locate(np.array(x), np.array(y))))
        for x, y in [(10, 590), (890, 590), (10, 10)]
    ]
    assert names == ["A1", "A3", "B1"]
    assert grid.box_mm(0) == (0.0, 300.0, 300.0, 300.0)


def test_fields_start_in_the_front_left_corner():
    """What does not divide is left over at the right and at the back; slivers join a neighbour."""
    grid = divide_face((1000, 650), 300)
    assert list(grid.edges_x_mm) == [0, 300, 600, 1000]  # the last 100 mm join the third field
    assert list(grid.edges_y_mm) == [0, 350, 650]


def test_row_letters_go_on_after_z():
    """Rows beyond the alphabet get two letters."""
    assert [name_row(row) for row in (0, 25, 26, 27, 52)] == ["A", "Z", "AA", "AB", "BA"]


def test_every_pit_once_starting_front_left():
    """The walk is a permutation and begins with the pit nearest the front-left corner."""
    rng = np.random.default_rng(8)
    x, y = rng.uniform(0, 1500, 200), rng.uniform(0, 900, 200)
    order = walk_pits(table(x, y), (1500, 900), 600)
    assert sorted(order) == list(range(200))
    in_a1 = np.flatnonzero((x < 600) & (y > 300))
    nearest = in_a1[np.argmin(np.hypot(x[in_a1], 900 - y[in_a1]))]
    assert order[0] == nearest


def test_fields_are_walked_one_after_the_other():
    """Numbers inside one sheet field are contiguous, and rows are walked to and fro."""
    rng = np.random.default_rng(9)
    pits = table(rng.uniform(0, 1800, 150), rng.uniform(0, 1200, 150))
    order = walk_pits(pits, (1800, 1200), 600)
    grid = divide_face((1800, 1200), 600)
    field = grid.locate(pits["x_mm"].to_numpy(), pits["y_mm"].to_numpy())[order]
    visited = [int(key) for key, _ in itertools.groupby(field)]
    assert visited == [0, 1, 2, 5, 4, 3]


def test_short_way_against_all_orders():
    """Seven points: the way is at most 10 % longer than the shortest of all 5040."""
    rng = np.random.default_rng(10)
    start, end = np.array([0.0, 100.0]), np.array([100.0, 50.0])
    for _ in range(5):
        points = rng.uniform(0, 100, (7, 2))
        best = min(length_of(points, p, start, end) for p in itertools.permutations(range(7)))
        found = length_of(points, shorten_way(points, start=start, end=end), start, end)
        assert best <= found <= 1.10 * best


def test_walk_is_shorter_than_reading_order():
    """The way is at least a third shorter than going down a list sorted by place."""
    rng = np.random.default_rng(12)
    points = rng.uniform(0, 600, (150, 2))
    start, end = np.array([0.0, 600.0]), np.array([600.0, 300.0])
    order = shorten_way(points, start=start, end=end)
    by_row = np.lexsort((points[:, 0], -(points[:, 1] // 60)))
    assert length_of(points, order, start, end) < 0.67 * length_of(points, by_row, start, end)


@pytest.mark.parametrize("n", [0, 1, 2, 3])
def test_few_pits(n):
    """No pit gives an empty order; one, two and three are walked."""
    order = walk_pits(table(np.arange(n) * 10.0, np.arange(n) * 5.0), (600, 600), 300)
    assert sorted(order) == list(range(n))
