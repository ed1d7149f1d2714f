"""The whole path: one photo in, one record out."""

import numpy as np
import pytest

from rakelight.core.errors import ScaleError
from rakelight.core.records import PIT_COLUMNS, PLAN_COLUMNS, Lamp
from rakelight.core.settings import Settings
from rakelight.inspection import Given, change_settings, inspect_photo


@pytest.fixture(scope="module")
def inspection(photo_file):
    """The made-up photo, inspected."""
    given = Given(mm_per_px=0.15, lamp=Lamp(270.0, 15.0, basis="said"), job={"job": "bench"})
    return inspect_photo(photo_file, given)


def test_pits_of_known_places_are_found(inspection, made_up):
    """At least 9 in 10 true pits of 1.2 mm and more lie within half a diameter of a row of the table."""
    truth = made_up.slab.pits[made_up.slab.pits.diameter_mm >= 1.2]
    gaps = np.hypot(
        truth.x_mm.to_numpy()[:, None] - inspection.pits.x_mm.to_numpy(),
        truth.y_mm.to_numpy()[:, None] - inspection.pits.y_mm.to_numpy(),
    )
    assert np.mean(gaps.min(axis=1) < truth.diameter_mm / 2) >= 0.9


def test_record_is_complete(inspection):
    """Tables have their declared columns, every pit its outline, and the settings come along."""
    assert [column.name for column in PIT_COLUMNS] == list(inspection.pits.columns)
    assert [column.name for column in PLAN_COLUMNS] == list(inspection.plan.fields.columns)
    assert len(inspection.pits) == len(inspection.outlines_mm)
    assert list(range(1, len(inspection.pits) + 1)) == inspection.pits.pit_id.tolist()
    assert 1.0 == inspection.settings["find"]["smallest_mm"]
    assert 64 == len(inspection.photos[0]["sha256"])


def test_nothing_smaller_than_asked_is_counted(photo_file):
    """With 3 mm as the smallest size no pit below 3 mm is listed."""
    given = Given(mm_per_px=0.15, lamp=Lamp(270.0, 15.0))
    settings = change_settings(Settings(), find={"smallest_mm": 3.0})
    pits = inspect_photo(photo_file, given, settings=settings).pits
    assert len(pits) > 0
    assert pits.diameter_mm.min() >= 3.0 * 0.995


def test_steps_are_told_in_words(photo_file):
    """A person waiting is told what is being done."""
    said = []
    inspect_photo(photo_file, Given(mm_per_px=0.15), progress=said.append)
    assert "finding pits" in said


@pytest.mark.parametrize(
    "given",
    [
        Given(),
        Given(mm_per_px=0.1, corners_px=[(0, 0), (9, 0), (9, 9), (0, 9)], slab_mm=(90, 90)),
        Given(corners_px=[(0, 0), (9, 0), (9, 9), (0, 9)]),
    ],
)
def test_missing_or_double_scale_is_one_sentence(photo_file, given):
    """No scale, two scales and corners without a size each say what to do."""
    with pytest.raises(ScaleError) as caught:
        inspect_photo(photo_file, given)
    assert 1 == len(str(caught.value).splitlines())
