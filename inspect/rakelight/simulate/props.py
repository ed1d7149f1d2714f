"""Things laid on a made-up slab for the photo: a grey card, a printed card, a post that casts a shadow."""

from dataclasses import replace

import cv2
import numpy as np

from ..core.checks import check_number, check_positive
from ..core.errors import SettingsError
from .slab import Slab


def lay_grey_card(
    slab: Slab,
    x_mm: float,
    y_mm: float,
    *,
    width_mm: float = 60.0,
    height_mm: float = 40.0,
    reflectance: float = 0.18,
) -> Slab:
    """Return the slab with a neutral grey card whose top-left corner lies at `x_mm, y_mm`.

    Errors of the answer: the card is perfectly matt, even and .5 mm thick. Source: our choice.
    """
    check_number(reflectance, "reflectance", low=0.01, high=0.95)
    grey = np.full((2, 2, 3), reflectance, np.float32)
    return lay_print(slab, grey, x_mm, y_mm, size_mm=(width_mm, height_mm))


def lay_print(
    slab: Slab,
    picture: np.ndarray,
    x_mm: float,
    y_mm: float,
    *,
    size_mm: tuple[float, float],
    thickness_mm: float = 0.5,
) -> Slab:
    """Return the slab with a printed card on it; pits under it get the state "covered".

    Parameters
    ----------
    slab : the slab; not changed.
    picture : float linear reflectance or uint8 sRGB-like grey/colour, (rows, cols) or (rows, cols, 3).
    x_mm, y_mm : slab place of the card's top-left corner, mm.
    size_mm : width and height of the card, mm.
    thickness_mm : how high the card's face lies above the slab, mm.

    Returns
    -------
    Slab.

    Errors of the answer
    --------------------
    The card keeps to whole pixels: its edges are right to half a pixel. It lies perfectly flat.

    Source
    ------
    Our choice.
    """
    check_positive(min(size_mm), "card size_mm")
    low_col, low_row = round(x_mm / slab.mm_per_px), round(y_mm / slab.mm_per_px)
    high_col = round((x_mm + size_mm[0]) / slab.mm_per_px)
    high_row = round((y_mm + size_mm[1]) / slab.mm_per_px)
    shape = slab.height_mm.shape
    if min(low_col, low_row) < 0 or high_row > shape[0] or high_col > shape[1]:
        raise SettingsError("The card must lie wholly on the slab.")
    window = (slice(low_row, high_row), slice(low_col, high_col))
    after = _copy(slab)
    size = (high_col - low_col, high_row - low_row)
    after.albedo[window] = cv2.resize(_read_print(picture), size, interpolation=cv2.INTER_AREA)
    after.height_mm[window] = slab.height_mm[window].max() + np.float32(thickness_mm)
    _cover_pits(after, window)
    return after


def stand_post(
    slab: Slab,
    x_mm: float,
    y_mm: float,
    *,
    height_mm: float = 20.0,
    width_mm: float = 10.0,
    thickness_mm: float = 0.4,
    along_deg: float = 0.0,
    reflectance: float = 0.8,
) -> Slab:
    """Return the slab with an upright tab centred at `x_mm, y_mm`, `height_mm` above what is under it.

    `along_deg` is the direction of its width, 0 to the right, 90 down. Its shadow is as long as
    height / tan(lamp angle).

    Errors of the answer: seen straight from above, so a tilted camera does not show its face;
    at least one pixel thick.
    Source: our choice.
    """
    check_positive(height_mm, "post height")
    after = _copy(slab)
    rows, cols = slab.height_mm.shape
    dx = (np.arange(cols, dtype=np.float32) + 0.5)[None, :] * slab.mm_per_px - np.float32(x_mm)
    dy = (np.arange(rows, dtype=np.float32) + 0.5)[:, None] * slab.mm_per_px - np.float32(y_mm)
    angle = np.deg2rad(along_deg)
    along = np.abs(dx * np.cos(angle) + dy * np.sin(angle)) <= width_mm / 2
    across = (
        np.abs(dy * np.cos(angle) - dx * np.sin(angle)) <= max(thickness_mm, slab.mm_per_px) / 2
    )
    stands = along & across
    if not stands.any():
        raise SettingsError("The post must stand on the slab.")
    after.height_mm[stands] = np.median(slab.height_mm[stands]) + np.float32(height_mm)
    after.albedo[stands] = reflectance
    return after


def _copy(slab: Slab) -> Slab:
    return replace(
        slab,
        height_mm=slab.height_mm.copy(),
        albedo=slab.albedo.copy(),
        pits=slab.pits.copy(),
        pit_depth_mm=slab.pit_depth_mm.copy(),
        pit_index=slab.pit_index.copy(),
    )


def _read_print(picture: np.ndarray) -> np.ndarray:
    if picture.dtype == np.uint8:
        picture = np.power(picture.astype(np.float32) / 255, 2.2) * 0.86 + 0.03
    picture = np.asarray(picture, np.float32)
    return picture if picture.ndim == 3 else np.repeat(picture[:, :, None], 3, axis=2)


def _cover_pits(slab: Slab, window: tuple[slice, slice]) -> None:
    hidden = np.unique(slab.pit_index[window])
    slab.pit_index[window] = 0
    slab.pit_depth_mm[window] = 0
    slab.pits.loc[slab.pits["truth_id"].isin(hidden), "state"] = "covered"
