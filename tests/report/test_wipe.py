"""The later face is laid over the earlier plan by what stayed put."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from rakelight.report.wipe import fit_places, lay_over

MM_PER_PX = 0.5


def make_change(places_mm, moved_mm):
    """A comparison that knows where each place lies before and after."""
    before, after = np.asarray(places_mm, float), np.asarray(moved_mm, float)
    columns = {
        "before_x_mm": before[:, 0], "before_y_mm": before[:, 1],
        "after_x_mm": after[:, 0], "after_y_mm": after[:, 1],
    }  # fmt: skip
    return SimpleNamespace(table=pd.DataFrame(columns))


def make_survey(rgb):
    """A survey as far as its face goes."""
    rows, cols = rgb.shape[:2]
    size_mm = (cols * MM_PER_PX, rows * MM_PER_PX)
    return SimpleNamespace(face=SimpleNamespace(rgb=rgb, mm_per_px=MM_PER_PX, size_mm=size_mm))


def turn(places_mm, deg, shift_mm):
    """Places after the slab was turned and pushed."""
    c, s = np.cos(np.radians(deg)), np.sin(np.radians(deg))
    return np.asarray(places_mm, float) @ np.array([[c, s], [-s, c]]) + shift_mm


PLACES = [(10, 10), (80, 12), (40, 50), (15, 60)]


def test_turned_and_pushed_slab_is_fitted():
    """The map takes every place to where it went, to a thousandth of a millimetre."""
    moved = turn(PLACES, 3.0, (4.0, -2.0))
    fitted = (
        np.c_[np.asarray(PLACES, float), np.ones(len(PLACES))]
        @ fit_places(make_change(PLACES, moved)).T
    )
    assert moved == pytest.approx(fitted[:, :2], abs=1e-3)


def test_too_few_places_leave_the_faces_as_they_are():
    """Two places and one without a partner cannot say how a slab lies."""
    change = make_change([*PLACES[:2], (5, 5)], [*PLACES[:2], (np.nan, np.nan)])
    assert np.eye(3).tolist() == fit_places(change).tolist()


def test_spot_stays_in_its_place():
    """A spot that moved with the slab lies at the same pixel in both pictures, to one pixel."""
    first = np.full((140, 200, 3), 120, np.uint8)
    second = first.copy()
    first[60:66, 100:106] = 255  # its middle lies at 51.5, 31.5 mm
    second[56:62, 108:114] = 255  # 4 mm to the right and 2 mm up
    change = make_change(PLACES, turn(PLACES, 0.0, (4.0, -2.0)))
    before, after = lay_over(make_survey(first), make_survey(second), change, side_px=200)
    spots = [np.argwhere(face[:, :, 0] > 200).mean(axis=0) for face in (before, after)]
    assert before.shape == after.shape
    assert spots[0] == pytest.approx(spots[1], abs=1.0)


def test_face_that_was_not_kept_is_no_picture():
    """Without pixels there is nothing to wipe."""
    empty = make_survey(np.zeros((0, 0, 3), np.uint8))
    face = make_survey(np.full((10, 10, 3), 9, np.uint8))
    assert lay_over(empty, face, make_change(PLACES, PLACES), side_px=50) is None
