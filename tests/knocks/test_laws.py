"""Laws for any numbers: places on the slab and back, lengths as words, grades that damage cannot improve."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import HealthCheck, given, reject, settings
from hypothesis import strategies as st

from rakelight.core.errors import ScaleError
from rakelight.core.records import PIT_COLUMNS, FaceMap, make_table
from rakelight.core.settings import GradeSettings
from rakelight.core.units import MM_PER_FOOT, MM_PER_INCH, parse_length_mm, parse_size_mm
from rakelight.grade.classify import grade_face
from rakelight.scale.corners import scale_from_corners, scale_from_mm_per_px
from rakelight.scale.plane import find_in_photo, place_on_slab

FEW = settings(
    max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)
SOME = settings(max_examples=60, deadline=None, derandomize=True)
SHAPE_PX = (3000, 4000)
QUICK = GradeSettings(n_draws=50, window_step_mm=10.0)

# Corners that contradict the size are refused, so the size keeps near the shape seen in the photo.
sizes_mm = st.tuples(st.floats(100, 5000), st.floats(0.8, 1.25)).map(
    lambda drawn: (drawn[0], drawn[0] * drawn[1] / 1.444)
)
shifts = st.lists(st.floats(-150, 150), min_size=8, max_size=8)


def draw_corners(shift):
    """Return four corners of a photo, each moved by up to 150 px: a slab seen from any usual side."""
    middle = np.array([[700, 600], [3300, 600], [3300, 2400], [700, 2400]], float)
    return middle + np.reshape(shift, (4, 2))


def scale_or_skip(corners, size_mm):
    """Return the scale; a draw that no camera could have taken is left out."""
    try:
        return scale_from_corners(corners, size_mm, SHAPE_PX)
    except ScaleError:
        reject()


@SOME
@given(shift=shifts, size_mm=sizes_mm)
def test_corners_come_to_the_corners(shift, size_mm):
    """The four corners lie at the corners of the slab, to a millionth of its side."""
    scale = scale_or_skip(draw_corners(shift), size_mm)
    width, height = size_mm
    expected = np.array([[0, 0], [width, 0], [width, height], [0, height]])
    assert expected == pytest.approx(
        place_on_slab(scale, draw_corners(shift)), abs=1e-6 * max(size_mm)
    )


@SOME
@given(
    shift=shifts,
    size_mm=sizes_mm,
    places=st.lists(st.tuples(st.floats(0, 1), st.floats(0, 1)), min_size=1, max_size=9),
)
def test_places_go_to_the_photo_and_back(shift, size_mm, places):
    """A place on the slab, looked up in the photo and put back, is where it was to a ten-thousandth of a mm."""
    scale = scale_or_skip(draw_corners(shift), size_mm)
    xy_mm = np.array(places) * size_mm
    assert xy_mm == pytest.approx(place_on_slab(scale, find_in_photo(scale, xy_mm)), abs=1e-4)


@SOME
@given(shift=shifts, size_mm=sizes_mm, times=st.floats(0.25, 4))
def test_a_slab_said_larger_is_larger_all_over(shift, size_mm, times):
    """All places and the size of a pixel grow by the factor that the slab was said larger."""
    corners = draw_corners(shift)
    once = scale_or_skip(corners, size_mm)
    more = scale_or_skip(corners, (size_mm[0] * times, size_mm[1] * times))
    somewhere = np.array([[2000.0, 1500.0], [900.0, 2000.0]])
    assert place_on_slab(once, somewhere) * times == pytest.approx(
        place_on_slab(more, somewhere), rel=1e-6
    )
    assert once.mm_per_px * times == pytest.approx(more.mm_per_px, rel=1e-6)


@SOME
@given(mm_per_px=st.floats(0.01, 5), row=st.integers(0, 2999), col=st.integers(0, 3999))
def test_pixel_centres_lie_half_a_pixel_in(mm_per_px, row, col):
    """x_mm = (col + 0.5) * mm_per_px, and y_mm likewise."""
    scale = scale_from_mm_per_px(SHAPE_PX, mm_per_px)
    x_mm, y_mm = place_on_slab(scale, np.array([[col, row]], float))[0]
    assert ((col + 0.5) * mm_per_px, (row + 0.5) * mm_per_px) == pytest.approx(
        (x_mm, y_mm), rel=1e-9
    )


@SOME
@given(feet=st.integers(0, 99), inches=st.integers(0, 11), sixteenths=st.integers(1, 15))
def test_lengths_in_words(feet, inches, sixteenths):
    """Feet, inches and sixteenths come out as the sum of their parts."""
    expected = feet * MM_PER_FOOT + (inches + sixteenths / 16) * MM_PER_INCH
    words = f"{feet}' {inches} {sixteenths}/16\"" if inches else f"{feet}ft {sixteenths}/16 in"
    assert expected == pytest.approx(parse_length_mm(words), abs=1e-9)


@SOME
@given(
    width=st.integers(1, 9999),
    height=st.integers(1, 9999),
    sign=st.sampled_from(["x", "X", "×", " x ", "*"]),
)
def test_sizes_in_words(width, height, sign):
    """Width and height in the order they are written."""
    assert (width, height) == parse_size_mm(f"{width}{sign}{height}")


pits_of_a_face = st.lists(
    st.tuples(st.floats(30, 670), st.floats(30, 670), st.floats(2.1, 14)), min_size=1, max_size=30
)


def make_pits(found):
    """Return a pit table of (x, y, diameter)."""
    x, y, size = (np.array(column, float) for column in zip(*found, strict=True))
    return make_table(
        PIT_COLUMNS,
        {"pit_id": np.arange(1, len(x) + 1), "x_mm": x, "y_mm": y, "diameter_mm": size, "length_mm": size,
         "width_mm": size, "area_mm2": math.pi / 4 * size**2, "confidence": np.ones(len(x)),
         "kind": ["bug_hole"] * len(x), "diameter_sd_mm": 0.05 * size},
    )  # fmt: skip


def make_face(side_mm=700.0, mm_per_px=2.0):
    """Return a square face that is seen all over."""
    side = round(side_mm / mm_per_px)
    return FaceMap(np.zeros((side, side, 3), np.uint8), np.ones((side, side), bool), mm_per_px)


def grade(found):
    """Return the value of every scheme for these pits."""
    report = grade_face(make_pits(found), make_face(), smallest_countable_mm=1.0, settings=QUICK)
    return {one.scheme: one for one in report.grades}


@FEW
@given(
    found=pits_of_a_face,
    extra=st.tuples(st.floats(30, 670), st.floats(30, 670), st.floats(2.1, 14)),
)
def test_one_more_pit_never_improves_a_grade(found, extra):
    """Every scheme's figure stays or rises when a pit is added."""
    before, after = grade(found), grade([*found, extra])
    assert {} == {
        name: (one.value, after[name].value)
        for name, one in before.items()
        if after[name].value < one.value - 1e-9
    }


@FEW
@given(found=pits_of_a_face, seed=st.integers(0, 99))
def test_order_of_the_pits_changes_no_grade(found, seed):
    """The list in any order gives the same figures and the same classes."""
    mixed = [found[k] for k in np.random.default_rng(seed).permutation(len(found))]
    one, other = grade(found), grade(mixed)
    for name in one:
        assert one[name].value == pytest.approx(other[name].value, rel=1e-9, nan_ok=True)
        assert one[name].class_name == other[name].class_name


@FEW
@given(found=pits_of_a_face)
def test_a_class_lies_in_its_own_range(found):
    """The class printed is among those its range touches, and the value within the range of values."""
    for one in grade(found).values():
        if one.range:
            assert one.class_name in one.range
        low, high = one.value_range
        if math.isfinite(low) and math.isfinite(one.value):
            assert low - 1e-9 <= one.value <= high + 1e-9


@FEW
@given(found=pits_of_a_face)
def test_inputs_are_not_changed(found):
    """Grading leaves the table and the face as they were."""
    pits, face = make_pits(found), make_face()
    kept, seen = pits.copy(), face.seen.copy()
    grade_face(pits, face, smallest_countable_mm=1.0, settings=QUICK)
    assert kept.equals(pits)
    assert (seen == face.seen).all()
    assert face.mm_per_px == dataclasses.replace(face).mm_per_px
