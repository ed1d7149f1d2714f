"""Patches against the ring around them, in a soft-light photo."""

import dataclasses

import numpy as np
import pytest
from PIL import Image

from rakelight.compare.tones import measure_tones
from rakelight.core.errors import CompareError
from rakelight.core.records import CHANGE_COLUMNS, Comparison, make_table
from rakelight.scale.corners import scale_from_mm_per_px
from rakelight.simulate import choose_recipe, make_slab
from rakelight.simulate.camera import aim_camera, photograph
from rakelight.simulate.filling import fill_pits
from rakelight.simulate.lamp import soft_light

MM_PER_PX = 0.15


@pytest.fixture(scope="module")
def before():
    """A small face with pits of 3 to 8 mm."""
    recipe = choose_recipe(
        "caps", size_mm=(120, 90), mm_per_px=MM_PER_PX, n_pits=24, diameter_median_mm=4.0,
        diameter_spread=0.2, mottling=0.01, stains_per_m2=0.0,
    )  # fmt: skip
    return make_slab(recipe, seed=77)


def fill(before, folder, tone_offset):
    """Return the slab with half its pits filled in a tone, and its soft-light photo."""
    after = fill_pits(before, fraction=0.5, dished_fraction=0.0, tone_offset=tone_offset, seed=3)
    path = folder / "soft.png"
    Image.fromarray(photograph(soft_light(after), aim_camera(after), seed=4)).save(path)
    return after, path


def compare_truth(after):
    """Return a comparison that knows the truth."""
    pits = after.pits
    table = make_table(
        CHANGE_COLUMNS,
        {
            "before_id": pits["truth_id"].astype("Int64"),
            "state": pits["state"],
            **{
                f"{when}_{name}": pits[name]
                for when in ("before", "after")
                for name in ("x_mm", "y_mm", "diameter_mm")
            },
        },
    )
    return Comparison(table, {}, {}, {}, {}, {}, "0")


def tell_survey(make_survey, make_pits, shape_px):
    """Return an after survey of this frame."""
    survey = make_survey(make_pits([], [], []), size_mm=(120.0, 90.0))
    photo = {"name": "after.png", "kind": "raking", "rows_px": shape_px[0], "cols_px": shape_px[1]}
    return dataclasses.replace(
        survey, photos=(photo,), scale=scale_from_mm_per_px(shape_px, MM_PER_PX)
    )


def test_other_tone_shows_and_own_tone_does_not(before, tmp_path, make_survey, make_pits):
    """A filler a third darker stands out by far; one in the face's own tone hardly; open pits have no tone."""
    medians = []
    for offset in (-0.3, 0.0):
        after, path = fill(before, tmp_path, offset)
        survey = tell_survey(make_survey, make_pits, (600, 800))
        tones = measure_tones(compare_truth(after), survey, path)
        is_filled = (after.pits["state"] == "closed").to_numpy()
        assert len(after.pits) == len(tones)
        assert np.all(np.isnan(tones[~is_filled]))
        medians.append(np.nanmedian(tones[is_filled]))
    # L* falls by some 12 at -30 %; the face's own mottling and noise stay under 2.
    assert medians[0] > 6
    assert medians[1] < 2


def test_joined_photos_are_refused(before, tmp_path, make_survey, make_pits):
    """A survey joined from several photos has no one frame that a soft-light photo could share."""
    after, path = fill(before, tmp_path, 0.0)
    survey = tell_survey(make_survey, make_pits, (600, 800))
    photo = survey.photos[0] | {"is_placed": True}
    survey = dataclasses.replace(survey, photos=(photo, photo))
    with pytest.raises(CompareError, match="one photo only"):
        measure_tones(compare_truth(after), survey, path)


def test_other_frame_is_refused(before, tmp_path, make_survey, make_pits):
    """A photo of another size than the after photo cannot share its scale."""
    after, path = fill(before, tmp_path, 0.0)
    survey = tell_survey(make_survey, make_pits, (900, 1200))
    with pytest.raises(CompareError, match="another frame"):
        measure_tones(compare_truth(after), survey, path)
