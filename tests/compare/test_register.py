"""Laying the later plan on the earlier one."""

import numpy as np
import pytest

from rakelight.compare.match import Places
from rakelight.compare.register import register_places
from rakelight.core.settings import CompareSettings


def scatter(rng, n, width_mm=1200, height_mm=600):
    """Return n made-up places on a face."""
    return Places(
        rng.uniform(0, width_mm, n),
        rng.uniform(0, height_mm, n),
        rng.lognormal(1.0, 0.4, n),
        np.ones(n),
    )


def move(places, matrix, noise_mm, rng):
    """Return the places moved by a 3 x 3 matrix, with placing noise."""
    x, y, w = matrix @ np.vstack([places.x_mm, places.y_mm, np.ones(len(places))])
    n = len(places)
    return Places(
        x / w + rng.normal(0, noise_mm, n),
        y / w + rng.normal(0, noise_mm, n),
        places.diameter_mm * np.exp(rng.normal(0, 0.1, n)),
        places.stretch,
    )


def turn(angle_deg, scale, shift_mm, bend=(0.0, 0.0)):
    """Return a 3 x 3 movement."""
    c, s = scale * np.cos(np.radians(angle_deg)), scale * np.sin(np.radians(angle_deg))
    return np.array([[c, -s, shift_mm[0]], [s, c, shift_mm[1]], [bend[0], bend[1], 1]])


MOVES = {
    "none": turn(0, 1, (0, 0)),
    "shift": turn(0, 1, (12, -9)),
    "turn": turn(0.8, 1, (4, -6)),
    "scale": turn(0, 1.01, (-3, 2)),
    "all": turn(-0.5, 0.99, (9, 7), (3e-6, -4e-6)),
}


@pytest.mark.parametrize("name", MOVES)
def test_finds_the_movement_when_most_were_filled(name):
    """Of 300 pits 70 % are gone; the rest still carry the plan to within half a millimetre."""
    rng = np.random.default_rng(7)
    before = scatter(rng, 300)
    stayed = before.take(rng.permutation(300)[:90])
    after = move(stayed, MOVES[name], 0.3, rng).join(scatter(rng, 6))
    found = register_places(before, after)
    assert found.is_aligned
    x, y, w = MOVES[name] @ np.vstack([before.x_mm, before.y_mm, np.ones(300)])
    got_x, got_y = found.place(before.x_mm, before.y_mm)
    miss_mm = np.hypot(got_x - x / w, got_y - y / w)
    # 0.3 mm per place over 90 places and up to 8 numbers fitted: 0.3 * sqrt(8 / 90) = 0.09 mm.
    assert np.sqrt(np.mean(miss_mm**2)) < 0.25
    assert miss_mm.max() < 0.8


def test_error_bar_holds():
    """The stated placing error covers the true one: their ratio is about 1 over many places."""
    ratios = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        before = scatter(rng, 60)
        found = register_places(before, move(before, MOVES["turn"], 0.3, rng))
        x, y, w = MOVES["turn"] @ np.vstack([before.x_mm, before.y_mm, np.ones(60)])
        got_x, got_y = found.place(before.x_mm, before.y_mm)
        miss_mm2 = ((got_x - x / w) ** 2 + (got_y - y / w) ** 2) / 2
        ratios.append(np.mean(miss_mm2) / np.mean(found.place_sd(before.x_mm, before.y_mm) ** 2))
    # Chi-square of 12 runs with a few numbers each; a plane bends more than the affine bar says.
    assert 0.4 < np.mean(ratios) < 3.0


def test_error_grows_away_from_what_stayed():
    """Far from the only places that agree the plan is less sure than among them."""
    rng = np.random.default_rng(3)
    before = scatter(rng, 40, 200, 200)
    found = register_places(before, move(before, MOVES["none"], 0.3, rng))
    near, far = found.place_sd(np.array([100.0, 1100.0]), np.array([100.0, 550.0]))
    assert far > 4 * near


def test_marks_carry_the_plan_when_all_pits_are_closed():
    """Places of quite other size (a patch for a pit) still align."""
    rng = np.random.default_rng(5)
    before = scatter(rng, 80)
    after = move(before, MOVES["shift"], 0.3, rng)
    patches = Places(after.x_mm, after.y_mm, after.diameter_mm * 1.8, after.stretch)
    found = register_places(before, patches)
    got_x, got_y = found.place(np.array([600.0]), np.array([300.0]))
    assert (612, 291) == pytest.approx(
        (got_x[0], got_y[0]), abs=0.3
    )  # 0.3 mm / sqrt(80), plus bend
    assert found.n_stable > 50


@pytest.mark.parametrize("seed", range(6))
def test_unrelated_faces_are_not_aligned(seed):
    """Two different slabs agree by chance only, and that is seen."""
    rng = np.random.default_rng(seed)
    found = register_places(scatter(rng, 250), scatter(rng, 250))
    assert "scale" == found.model
    assert np.array_equal(np.eye(3), found.matrix)
    assert np.all(CompareSettings().frame_sd_mm == found.place_sd(np.zeros(2), np.ones(2)))


@pytest.mark.parametrize("n", [0, 1, 2])
def test_too_little_keeps_the_scales(n):
    """With two places or fewer nothing is fitted."""
    rng = np.random.default_rng(2)
    places = scatter(rng, n)
    assert "scale" == register_places(places, places).model


def test_three_places_shift_only():
    """Three places that moved together give a shift, not a turn."""
    rng = np.random.default_rng(6)
    before = scatter(rng, 3)
    found = register_places(before, move(before, turn(0, 1, (6, 2)), 0.05, rng))
    assert "shift" == found.model
    assert np.allclose([6, 2], found.matrix[:2, 2], atol=0.3)


def test_same_answer_every_time():
    """Chance inside the search is fixed."""
    rng = np.random.default_rng(9)
    before = scatter(rng, 200)
    after = move(before.take(np.arange(70)), MOVES["all"], 0.3, rng)
    first, second = register_places(before, after), register_places(before, after)
    assert np.array_equal(first.matrix, second.matrix)


def test_mapping_is_plain():
    """The saved record holds numbers, lists and words only."""
    import json

    rng = np.random.default_rng(9)
    before = scatter(rng, 50)
    saved = json.loads(json.dumps(register_places(before, before).as_mapping()))
    assert saved["n_stable"] == 50
    assert 0 == pytest.approx(saved["turn_deg"], abs=1e-6)
