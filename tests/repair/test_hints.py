"""Patterns are named where they were made, as questions, and not where chance made them."""

import numpy as np
import pytest

from rakelight.grade.measured import read_pits
from rakelight.grade.windows import sum_seen
from rakelight.repair.hints import compare_density, list_hints

WIDTH, HEIGHT = 1800.0, 900.0


@pytest.fixture
def hints_of(make_face, make_pits):
    """Return a function from places to (pattern, where) pairs."""

    seen = sum_seen(make_face(WIDTH, HEIGHT, mm_per_px=5.0))

    def find(x, y):
        pits = read_pits(make_pits(x, y, 3.0))
        hints = list_hints(pits, seen)
        return {(h["pattern"], h["where"]) for h in hints}, hints

    return find


def test_more_at_one_end(hints_of):
    """Three times the pits in the left third asks about that end."""
    rng = np.random.default_rng(1)
    x = np.r_[rng.uniform(0, 600, 240), rng.uniform(600, WIDTH, 160)]
    found, _ = hints_of(x, rng.uniform(0, HEIGHT, 400))
    assert ("end", "left") in found and ("end", "right") not in found


def test_row_under_the_lip(hints_of):
    """A row along the front edge asks about the lip."""
    rng = np.random.default_rng(2)
    x = rng.uniform(0, WIDTH, 300)
    y = np.r_[rng.uniform(HEIGHT - 45, HEIGHT, 90), rng.uniform(0, HEIGHT, 210)]
    assert ("edge", "front") in hints_of(x, y)[0]


def test_cluster_at_a_corner(hints_of):
    """A cluster in the back right corner asks about that corner."""
    rng = np.random.default_rng(3)
    x = np.r_[rng.uniform(WIDTH - 280, WIDTH, 90), rng.uniform(0, WIDTH, 150)]
    y = np.r_[rng.uniform(0, 280, 90), rng.uniform(0, HEIGHT, 150)]
    assert ("corner", "back right") in hints_of(x, y)[0]


def test_even_pits_name_no_place(hints_of):
    """Of 40 evenly pitted faces at most one names an end, an edge or a corner."""
    rng = np.random.default_rng(4)
    named = 0
    for _ in range(40):
        found, _ = hints_of(rng.uniform(0, WIDTH, 250), rng.uniform(0, HEIGHT, 250))
        named += any(pattern in ("end", "edge", "corner") for pattern, _ in found)
    assert named <= 1


def test_hints_are_questions_with_sources(hints_of):
    """Every hint ends as a question, and every cause names its source."""
    rng = np.random.default_rng(5)
    _, hints = hints_of(rng.uniform(0, 600, 200), rng.uniform(0, HEIGHT, 200))
    assert hints
    for hint in hints:
        assert hint["question"].endswith("?") and hint["causes"]
        assert all(cause["source"] for cause in hint["causes"])


def test_few_pits_say_nothing(hints_of):
    """Fewer than thirty pits give no hint, wherever they lie."""
    assert hints_of(np.full(20, 50.0), np.linspace(10, 100, 20))[0] == set()


def test_ratio_of_equal_densities_is_one():
    """Equal densities give about one and no small chance; crowding makes a ratio less telling."""
    ratio, chance = compare_density((100, 1.0), (200, 2.0))
    assert ratio == pytest.approx(1.0, abs=0.01) and chance == pytest.approx(0.5, abs=0.02)
    plain = compare_density((200, 1.0), (100, 1.0))[1]
    assert compare_density((200, 1.0), (100, 1.0), crowding=4.0)[1] > 10 * plain
