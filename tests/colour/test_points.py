"""Thirteen points in a 500 mm square, as the precast rule compares tones."""

import numpy as np
import pytest

from rakelight.colour.blotches import ToneMap
from rakelight.colour.points import compare_ends, compare_points, place_points, read_points

from .conftest import read_values


def test_means_of_the_thirteen_points():
    """The worked case: two zones of 13 L* readings, their means, and the gap against 7.5."""
    (value,) = read_values("ptv_13_points")
    answer = compare_points(value["inputs"]["zone1_L"], value["inputs"]["zone2_L"])
    expected = value["expected"]
    assert (expected["mean1"], expected["mean2"]) == pytest.approx(
        (answer["means"][0][0], answer["means"][1][0]), abs=value["tolerance"]
    )
    assert expected["abs_difference"] == pytest.approx(answer["dE_ab"], abs=value["tolerance"])
    assert expected["accept"] == answer["within_7_5"]


def test_limits_are_those_of_the_two_articles():
    """7.5 and 10 are both reported, since the two sources disagree."""
    (value,) = read_values("be_grey_scale_step")
    for limit, name in zip(value["expected"]["tolerance_dE"], ("within_7_5", "within_10"), strict=True):
        assert compare_points(np.array([60.0]), np.array([60.0 + limit - 0.01]))[name]
        assert not compare_points(np.array([60.0]), np.array([60.0 + limit + 0.01]))[name]


def test_thirteen_places_lie_inside_their_square():
    """Thirteen different places, 50 mm or more from the rim, middle in the middle."""
    places = place_points(100, 200)
    assert (13, 2) == places.shape == np.unique(places, axis=0).shape
    assert (places - [100, 200]).min() > 50 and (places - [100, 200]).max() < 450
    assert (350, 450) == pytest.approx(places.mean(axis=0))


def test_points_are_read_where_they_are():
    """A tone that goes with the place is read at the place; outside and unseen are NaN."""
    lab = np.zeros((120, 240, 3), np.float32)
    lab[:, :, 0] = np.arange(240) * 0.05 + 50
    tones = ToneMap(lab, np.ones((120, 240), bool), 5.0)
    tones.seen[100:110, 100:110] = False
    found = read_points(tones, np.array([[602.5, 300.0], [525.0, 525.0], [5000.0, 5.0]]))
    assert 56.0 == pytest.approx(found[0, 0], abs=0.05)
    assert np.isnan(found[1:]).all()


def test_ends_are_compared_when_two_squares_fit():
    """A step of 4 L* between the ends comes out; a short face has no two squares."""
    lab = np.full((120, 240, 3), 0, np.float32)
    lab[:, :, 0] = np.where(np.arange(240) < 120, 60, 64)
    tones = ToneMap(lab, np.ones((120, 240), bool), 5.0)
    assert 4.0 == pytest.approx(compare_ends(tones)["dE_ab"], abs=0.01)
    tall = ToneMap(np.ascontiguousarray(lab.swapaxes(0, 1)), np.ones((240, 120), bool), 5.0)
    assert 4.0 == pytest.approx(compare_ends(tall)["dE_ab"], abs=0.01)
    assert compare_ends(ToneMap(lab[:, :150], np.ones((120, 150), bool), 5.0)) is None
    assert compare_ends(ToneMap(lab, np.zeros((120, 240), bool), 5.0)) is None
