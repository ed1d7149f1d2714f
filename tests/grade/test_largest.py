"""Rules on the largest single void: worked cases, depth that is only a least depth."""

import numpy as np
import pytest

from rakelight.grade.classify import grade_face
from rakelight.grade.largest import must_patch
from rakelight.grade.schemes import read_schemes


def grade_one(pits, face, scheme):
    """The grade by one scheme."""
    return grade_face(pits, face, smallest_countable_mm=0.5, schemes=(scheme,)).grades[0]


@pytest.mark.parametrize("number", range(1, 7))
def test_aci_301_cases(grade_values, number):
    """Voids exactly at the limit stay, larger or deeper ones are patched."""
    entry = grade_values[f"aci301_case_{number}"]
    given = entry["inputs"]
    patch = must_patch(
        read_schemes().schemes["aci_301"],
        given["finish"],
        length_mm=np.array([given["width_in"] * 25.4]),
        depth_mm=np.array([given["depth_in"] * 25.4]),
    )
    assert entry["expected"] == bool(patch[0])


def test_long_void_is_judged_by_its_length(grade_values, make_face, make_pits):
    """12 x 3 mm has an equivalent diameter of 6 mm but fails A4 by its largest dimension."""
    expected = grade_values["elongated_void"]["expected"]
    pits = make_pits(
        [100], [100], expected["equivalent_diameter_mm"],
        length_mm=[12.0], width_mm=[3.0], depth_mm=[1.0], depth_basis=["pin"],
    )  # fmt: skip
    grade = grade_one(pits, make_face(500, 500), "sp70")
    assert expected["largest_dimension_mm"] == pytest.approx(grade.value)
    assert grade.class_name == "A6"
    assert expected["area_mm2"] == pytest.approx(pits["area_mm2"][0], abs=1e-3)


@pytest.mark.parametrize(
    ("length_mm", "depth_mm", "class_name"),
    [
        (4.0, 2.0, "A3"),
        (4.01, 2.0, "A4"),
        (10.0, 2.01, "A6"),
        (15.0, 5.0, "A6"),
        (15.0, 5.1, "A7"),
        (20.01, 1.0, "none"),
    ],
)
def test_sp70_letters(make_face, make_pits, length_mm, depth_mm, class_name):
    """Letters follow width and depth, a value equal to the limit still belongs."""
    pits = make_pits([100], [100], length_mm, depth_mm=[depth_mm], depth_basis=["pin"])
    assert class_name == grade_one(pits, make_face(500, 500), "sp70").class_name


def test_least_depth_keeps_the_worse_class_open(make_face, make_pits):
    """A least depth of 1 mm under a 5 mm mouth may be more: the range goes on to A6."""
    face = make_face(500, 500)
    least = make_pits([100], [100], 5.0, depth_mm=[1.0], depth_basis=["at_least"])
    pinned = make_pits([100], [100], 5.0, depth_mm=[1.0], depth_basis=["pin"])
    assert grade_one(least, face, "sp70").range == ("A4", "A6")
    assert grade_one(pinned, face, "sp70").range == ("A4",)


def test_walloon_box_volume(grade_values, make_face, make_pits):
    """6 mm deep in a 30 x 28 mm box is 5.04 cm3: refused."""
    entry = grade_values["wallonia_reject"]
    length, width = entry["inputs"]["rect_mm"]
    pits = make_pits(
        [100], [100], 27.0, length_mm=[float(length)], width_mm=[float(width)],
        depth_mm=[float(entry["inputs"]["depth_mm"])], depth_basis=["pin"],
    )  # fmt: skip
    grade = grade_one(pits, make_face(500, 500), "wallonia_1999")
    assert entry["expected"]["volume_cm3"] == pytest.approx(grade.value, abs=entry["tolerance"])
    assert entry["expected"]["refuse"] == (grade.class_name == "none")


def test_under_ten_means_under_ten(make_face, make_pits):
    """A clause that allows blowholes under 10 mm does not allow exactly 10 mm."""
    face = make_face(500, 500)
    assert grade_one(make_pits([100], [100], 10.0), face, "british_plain").class_name == "none"
    assert (
        grade_one(make_pits([100], [100], 9.99), face, "british_plain").class_name == "plain smooth"
    )


def test_patch_counts_are_told_per_class(make_face, make_pits):
    """The note counts the voids over each class's limits."""
    pits = make_pits([100, 200, 300], [100] * 3, [20.0, 40.0, 5.0])
    grade = grade_one(pits, make_face(500, 500), "aci_301")
    assert any("SF-3.0 2, SF-2.0 2, SF-1.0 1" in note for note in grade.notes)
