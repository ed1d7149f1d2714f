"""Outlines of zones and boxes, and what lies inside them."""

import numpy as np
import pytest

from rakelight.core.errors import SettingsError
from rakelight.core.outlines import box_outline, is_inside, zone_outline

NOTCHED = [[0, 0], [100, 0], [100, 60], [50, 20], [0, 60]]


def test_a_box_and_an_outline_of_the_same_corners_are_one():
    """From its top-left corner clockwise."""
    box = {"x_mm": 10, "y_mm": 20, "width_mm": 30, "height_mm": 40}
    corners = [[10, 20], [40, 20], [40, 60], [10, 60]]
    assert corners == box_outline(10, 20, 30, 40).tolist()
    assert corners == zone_outline(box).tolist() == zone_outline({"outline_mm": corners}).tolist()


@pytest.mark.parametrize("zone", [{}, {"name": "A", "x_mm": 1}, {"outline_mm": [[0, 0], [1, 1]]}])
def test_a_zone_without_either_says_what_it_needs(zone):
    """Neither three corners nor a box: one sentence."""
    with pytest.raises(SettingsError, match="needs outline_mm"):
        zone_outline(zone)


def test_what_lies_inside_a_notched_outline():
    """Places in the notch are outside, those beside it inside; arrays of places keep their shape."""
    x, y = np.array([[50, 10], [50, 120]]), np.array([[40, 40], [10, 10]])
    assert [[False, True], [True, False]] == is_inside(np.array(NOTCHED, float), x, y).tolist()
