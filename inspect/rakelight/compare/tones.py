"""Does a patch show? Its tone in soft light against the ring of face around it."""

from dataclasses import replace
from pathlib import Path

import numpy as np

from ..colour.balance import Shoot
from ..colour.evenface import even_face
from ..colour.jpegcodes import read_jpeg_codes
from ..colour.patches import measure_patches
from ..colour.rounding import read_rounding
from ..core.errors import CompareError
from ..core.records import Comparison, Inspection
from ..photo.read import read_photo
from ..scale.rectify import rectify_photo

FILLED = ("closed", "dished")


def measure_tones(change: Comparison, after: Inspection, soft_light: str | Path) -> np.ndarray:
    """Return the CIEDE2000 difference of every filled pit to the ring around it; NaN for the others.

    Parameters
    ----------
    change : comparison of the two surveys; its table says where each earlier pit lies now.
    after : the later survey, whose scale the soft-light photo shares.
    soft_light : photo taken from the same place as the later photo, or cut to the slab like it.

    Returns
    -------
    (n pits before,) in the order of the comparison, for `compare_surveys(tones=...)`.

    Errors of the answer
    --------------------
    As `colour.patches.measure_patches`; a camera moved between the two photos makes it NaN or wrong.

    Raises
    ------
    CompareError, ColourError
        When the photo has another frame than the later one, is a raking photo, or the later
        survey was joined from several photos.

    Source
    ------
    Our choice.
    """
    if any("is_placed" in taken for taken in after.photos):  # only joined photos say it
        raise CompareError(
            "The after survey was joined from several photos, and tones are read from one photo only: survey"
            " the patches in one photo with its soft-light photo, or leave the soft-light photo out."
        )
    photo = read_photo(soft_light)
    frames = [
        (taken["rows_px"], taken["cols_px"])
        for taken in after.photos
        if taken.get("kind") == "raking" and "rows_px" in taken
    ]
    if frames and tuple(photo.shape_px) != frames[0]:
        raise CompareError(
            f"{photo.name} has another frame than the after photo: take both from one place, or leave it out."
        )
    rounding = read_rounding(soft_light, shrink=photo.shrink)
    codes = read_jpeg_codes(Path(soft_light).read_bytes(), photo)
    face = rectify_photo(photo if codes is None else replace(photo, rgb=codes), after.scale)
    even = even_face(face, shoot=Shoot(exif=photo.exif, profile=photo.profile, rounding=rounding))
    rows = change.table[change.table["before_id"].notna()]
    patches = rows.rename(
        columns={
            "after_x_mm": "x_mm",
            "after_y_mm": "y_mm",
            "before_diameter_mm": "diameter_mm",
        }
    )
    tones = measure_patches(even, patches)["dE00"].to_numpy(float)
    return np.where(rows["state"].isin(FILLED), tones, np.nan)
