"""Windows over all positions against the plain double loop and published placement effects."""

import numpy as np
import pytest

from rakelight.core.settings import GradeSettings
from rakelight.grade.measured import measure_face
from rakelight.grade.windows import (
    WHOLE_FACE,
    count_centres,
    pick_worst,
    place_windows,
    share_in_windows,
    sum_open_area,
    sum_seen,
)


def loop_over_windows(face, pits, positions):
    """The plain version: every position, every pit by its closed form, seen area by counting."""
    open_mm2 = np.empty(positions.seen_mm2.shape)
    seen_mm2 = np.empty(positions.seen_mm2.shape)
    x, y, area = (pits[name].to_numpy() for name in ("x_mm", "y_mm", "area_mm2"))
    for row in range(open_mm2.shape[0]):
        for col in range(open_mm2.shape[1]):
            left, top, right, bottom = positions.window_mm(row, col)
            box = np.array([[left, top, right, bottom]])
            open_mm2[row, col] = (share_in_windows(box, x, y, area, size_mm=face.size_mm) @ area)[0]
            pixels = face.seen[round(top) : round(bottom), round(left) : round(right)]
            seen_mm2[row, col] = np.count_nonzero(pixels) * face.mm_per_px**2
    return open_mm2, seen_mm2


def test_all_positions_equal_the_double_loop(make_face, make_pits):
    """Open area, seen area and counts of every window equal the plain double loop."""
    rng = np.random.default_rng(11)
    face = make_face(170, 140, unseen=[(60, 40, 100, 90)])
    pits = make_pits(rng.uniform(3, 167, 40), rng.uniform(3, 137, 40), rng.uniform(1, 14, 40))
    positions = place_windows(sum_seen(face), (100.0, 100.0), settings=GradeSettings())
    open_mm2, seen_mm2 = loop_over_windows(face, pits, positions)
    x, y, area = (pits[name].to_numpy() for name in ("x_mm", "y_mm", "area_mm2"))
    assert sum_open_area(positions, x, y, area) == pytest.approx(open_mm2, abs=1e-6)
    assert positions.seen_mm2 == pytest.approx(seen_mm2, abs=1e-6)
    left, top = np.meshgrid(positions.left_mm, positions.top_mm)
    inside_x = (x >= left[..., None]) & (x < left[..., None] + 100)
    inside_y = (y >= top[..., None]) & (y < top[..., None] + 100)
    counted = (inside_x & inside_y).sum(axis=2)
    assert np.array_equal(count_centres(positions, x, y), counted)


def test_published_placement_effect(grade_values, make_face, make_pits):
    """The same slab is 0.80 % in one 500 mm window and 0 % in another 300 mm further right."""
    entry = grade_values["window_placement"]
    i = np.arange(40)
    pits = make_pits(30 + 30 * (i % 8), 60 + 90 * (i // 8), 8.0)
    positions = place_windows(sum_seen(make_face(1200, 600)), (500.0, 500.0))
    x, y, area = (pits[name].to_numpy() for name in ("x_mm", "y_mm", "area_mm2"))
    open_mm2 = sum_open_area(positions, x, y, area)
    for left_mm, per_cent in entry["expected"].items():
        col = int(np.flatnonzero(positions.left_mm == float(left_mm))[0])
        measured = 100 * open_mm2[0, col] / positions.seen_mm2[0, col]
        assert per_cent == pytest.approx(measured, abs=entry["tolerance"])


def test_worst_window_is_worst_between_positions_too(make_face, make_pits):
    """Windows at random places between the steps exceed the worst found by less than 1 %."""
    rng = np.random.default_rng(2)
    face = make_face(1200, 700)
    x, y = rng.uniform(8, 1192, 400), rng.uniform(8, 692, 400)
    area = np.pi * rng.lognormal(1.0, 0.5, 400) ** 2 / 4
    positions = place_windows(sum_seen(face), (500.0, 500.0))
    worst = sum_open_area(positions, x, y, area).max()
    row, col = pick_worst(positions, sum_open_area(positions, x, y, area), n=1)[0]
    near = rng.uniform(-2, 2, (500, 2))
    left = np.clip(positions.left_mm[col] + near[:, 0], 0, 700)
    top = np.clip(positions.top_mm[row] + near[:, 1], 0, 200)
    boxes = np.column_stack([left, top, left + 500, top + 500])
    best = (share_in_windows(boxes, x, y, area, size_mm=face.size_mm) @ area).max()
    assert best <= worst * 1.01


def test_windows_mostly_unseen_are_not_used(make_face):
    """Windows with less than half of their area seen are left out, the others are kept."""
    face = make_face(1000, 500, unseen=[(0, 0, 400, 500)])
    positions = place_windows(sum_seen(face), (500.0, 500.0))
    expected = positions.left_mm >= 150  # seen share (left + 500 - 400) / 500 reaches one half
    assert np.array_equal(positions.is_used[0], expected)


def test_unseen_area_never_counts_as_good(make_face, make_pits):
    """Hiding the clean half of a face doubles its open share."""
    pits = make_pits([100, 200, 300], [100, 300, 200], 10.0)
    x, y, area = (pits[name].to_numpy() for name in ("x_mm", "y_mm", "area_mm2"))
    shares = []
    for unseen in ((), [(500, 0, 1000, 400)]):
        positions = place_windows(sum_seen(make_face(1000, 400, unseen=unseen)), WHOLE_FACE)
        shares.append((sum_open_area(positions, x, y, area) / positions.seen_mm2).max())
    assert shares[1] == pytest.approx(2 * shares[0], rel=1e-12)


@pytest.mark.parametrize(
    ("size_mm", "used_mm", "n_notes"),
    [
        ((700, 700), (609.6, 609.6), 0),
        ((900, 600), (500, 500), 1),
        ((900, 450), (900, 450), 1),
    ],
)
def test_a_window_that_does_not_fit_falls_back(make_face, make_pits, size_mm, used_mm, n_notes):
    """24 in falls back to 500 mm and then to the whole face, and says so."""
    measured = measure_face(
        make_pits([], [], []), make_face(*size_mm),
        smallest_countable_mm=1.0, settings=GradeSettings(),
    )  # fmt: skip
    positions, notes = measured.fitting_positions((609.6, 609.6))
    assert used_mm == pytest.approx(positions.size_mm)
    assert n_notes == len(notes)


def test_a_hidden_face_has_no_position(make_face):
    """A face of which nothing is seen gives no used position, not even the whole face."""
    positions = place_windows(sum_seen(make_face(600, 600, unseen=[(0, 0, 600, 600)])), WHOLE_FACE)
    assert positions.n_used == 0


def test_a_large_face_gets_a_coarser_step(make_face):
    """The step grows with the face so that the number of positions stays bounded."""
    settings = GradeSettings(window_positions_max=10_000)
    positions = place_windows(
        sum_seen(make_face(2000, 1000, mm_per_px=2.0), settings=settings), (500.0, 500.0),
        settings=settings,
    )  # fmt: skip
    assert positions.seen_mm2.size <= 10_000
