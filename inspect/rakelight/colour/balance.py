"""From pixels to light in slab terms: linear blocks, the grey reference, what may be compared.

Catalogue: `Shoot` (what is known of the shooting), `reduce_face` (linear light in small blocks),
`read_grey` and `GreyReading` (exposure and white balance from a grey patch), `balance_light`,
`doubt_comparison` (why two photos must not be compared for colour).
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import cv2
import numpy as np
import pandas as pd

from ..core.checks import check_number
from ..core.errors import ColourError
from ..core.records import FaceMap, Lamp
from ..core.settings import ColourSettings
from ..core.threads import share_out
from .rounding import Rounding

GREY_INNER = 0.8
"""Share of a marked grey area that is read, about its middle: the rim may be smeared."""
GREY_UNEVEN = 0.15
"""A grey area whose light varies by more than this (robust sd over mean) is no even patch."""
AVOID_GROWTH = 1.3
"""Pits and marks are left out with this factor on their size, for the halo a camera draws."""
FINE_CODES = 256
"""Pixels of 16 bits are sRGB codes of 255 times this."""
CLIPPED_LINEAR = 0.982
"""Blocks above this linear light (sRGB code 253) are taken for blown out."""


@dataclass(frozen=True, slots=True)
class Shoot:
    """What is known of how a soft-light photo was taken.

    exif, profile : as read with the photo. lamp_said : the lamp as the person described it.
    flat : white sheet filling the frame, taken from the same place in the same light, mapped to
    the same slab mm. turned : a second photo with the slab turned by 180 degrees under lamp and
    camera that stayed put, mapped to the same slab mm. papers : rectangles (x_mm, y_mm,
    width_mm, height_mm) of pieces of one white paper lying on the face. age_days : age of the
    concrete. moisture : ``dry``, ``damp`` or ``wet`` as the person judged it, empty when not said.
    rounding : how the photo's file rounds colour, from `read_rounding`.
    """

    exif: Mapping[str, Any] = field(default_factory=dict)
    profile: str = "sRGB assumed"
    lamp_said: Lamp | None = None
    flat: FaceMap | None = None
    turned: FaceMap | None = None
    papers: tuple[tuple[float, float, float, float], ...] = ()
    age_days: float = math.nan
    moisture: str = ""
    rounding: Rounding = field(default_factory=Rounding)


@dataclass(frozen=True, slots=True)
class Blocks:
    """The face in small blocks.

    linear : (rows, cols, 3) float32; clean : (rows, cols) bool, True where only sound face is
    seen; block_mm : their side; bare : as clean, but with the pits and marks still in it.
    """

    linear: np.ndarray
    clean: np.ndarray
    block_mm: float
    bare: np.ndarray

    @property
    def places_mm(self) -> tuple[np.ndarray, np.ndarray]:
        """Return the x_mm of the columns and the y_mm of the rows (block centres)."""
        rows, cols = self.clean.shape
        return (np.arange(cols) + 0.5) * self.block_mm, (np.arange(rows) + 0.5) * self.block_mm


@dataclass(frozen=True, slots=True)
class GreyReading:
    """Linear light off a grey patch and its reflectance; place_mm is None when beside the face."""

    linear: np.ndarray
    reflectance: float
    place_mm: tuple[float, float] | None = None
    spread: float = 0.0

    @property
    def gains(self) -> np.ndarray:
        """Return the factors on red, green and blue that bring the patch to its reflectance."""
        return np.float32(self.reflectance) / self.linear


def decode_light(pixels: np.ndarray) -> np.ndarray:
    """Return linear light 0-1 (float32) from sRGB codes (uint8, or uint16 in steps of 1/256).

    Float pixels are linear already.

    Errors of the answer: rounding of float32. Source: IEC 61966-2-1 (constants read).
    """
    pixels = np.asarray(pixels)
    if pixels.dtype == np.uint16:
        return cv2.LUT(pixels, _list_light(256 * FINE_CODES, 255.0 * FINE_CODES).reshape(1, -1))
    if pixels.dtype != np.uint8:
        return pixels.astype(np.float32, copy=False)
    return cv2.LUT(pixels, _list_light(256, 255.0).reshape(1, 256))


@cache
def _list_light(n_codes: int, white: float) -> np.ndarray:
    """Return the linear light of every code."""
    code = np.arange(n_codes) / white
    linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    return linear.astype(np.float32)


def reduce_face(
    face: FaceMap,
    *,
    leave_out: Iterable[Any] = (),
    settings: ColourSettings | None = None,
    threads: int = 2,
) -> Blocks:
    """Return the face as blocks of about `settings.block_mm`, averaged in linear light.

    Parameters
    ----------
    face : rectified soft-light photo, uint8 sRGB or linear float.
    leave_out : in any mix, bool masks on the map's grid (True = leave out), rectangles
        (x_mm, y_mm, width_mm, height_mm), and tables with x_mm, y_mm and length_mm.
    threads : strips worked on at once.

    Returns
    -------
    Blocks. `clean` is False where any pixel of the block is not seen, left out or blown out.
    A strip narrower than one block at the right and bottom edge is not used.

    Errors of the answer
    --------------------
    None but rounding; averaging in sRGB codes instead would read grainy faces too light.

    Source
    ------
    Our choice of block size; the rest is definition.
    """
    settings = settings or ColourSettings()
    step = max(round(settings.block_mm / face.mm_per_px), 1)
    rows, cols = face.rgb.shape[0] // step, face.rgb.shape[1] // step
    if min(rows, cols) < 2:
        raise ColourError("The face is too small to read its tone: give a photo with more pixels.")
    linear = np.empty((rows, cols, 3), np.float32)
    # Strips that fit the processor's cache: twice as fast as the whole photo at once.
    strip = max(64 // step, 1)

    def reduce_strip(row: int) -> None:
        part = decode_light(face.rgb[row * step : (row + strip) * step, : cols * step])
        height = min(strip, rows - row)
        # Rows first: a plain sum takes a third of the time of averaging squares.
        sums = part[: height * step].reshape(height, step, -1).sum(axis=1).reshape(height, cols * step, 3)
        linear[row : row + height] = cv2.resize(sums, (cols, height), interpolation=cv2.INTER_AREA)

    share_out(reduce_strip, range(0, rows, strip), threads=threads)
    linear /= np.float32(step)
    leave_out = list(leave_out)
    bare = _reduce_masks(face, leave_out, step, (rows, cols)) & (linear.max(axis=2) < CLIPPED_LINEAR)
    clean = bare.astype(np.uint8)
    for item in leave_out:
        if isinstance(item, pd.DataFrame):
            _leave_out_table(clean, item, step * face.mm_per_px)
    return Blocks(linear, clean.astype(bool), step * face.mm_per_px, bare)


def _reduce_masks(face: FaceMap, leave_out: list[Any], step: int, shape: tuple[int, int]) -> np.ndarray:
    usable = np.asarray(face.seen, bool).view(np.uint8)
    for item in leave_out:
        if isinstance(item, np.ndarray) and item.shape == face.seen.shape:
            usable = usable & ~item.astype(bool).view(np.uint8) & 1
    rows, cols = shape
    bare = np.ones(shape, bool)
    if not usable.all():
        trimmed = np.ascontiguousarray(usable[: rows * step, : cols * step]) * np.uint8(255)
        bare = cv2.resize(trimmed, (cols, rows), interpolation=cv2.INTER_AREA) == 255
    for item in leave_out:
        if isinstance(item, (tuple, list)):
            leave_out_rect(bare, item, step * face.mm_per_px)
    return bare


def leave_out_rect(bare: np.ndarray, rect_mm: tuple[float, ...], block_mm: float) -> None:
    """Set the blocks (rows, cols) of a rectangle in slab mm, and one around it, to False in place."""
    left, top, width, height = (value / block_mm for value in rect_mm[:4])
    rows = slice(max(math.floor(top) - 1, 0), max(math.ceil(top + height) + 1, 0))
    bare[rows, max(math.floor(left) - 1, 0) : max(math.ceil(left + width) + 1, 0)] = False


def _leave_out_table(clean: np.ndarray, table: pd.DataFrame, block_mm: float) -> None:
    radius_mm = table["length_mm"].to_numpy() / 2 * AVOID_GROWTH + block_mm
    for x_mm, y_mm, reach_mm in zip(table["x_mm"], table["y_mm"], radius_mm, strict=True):
        if math.isfinite(x_mm + y_mm + reach_mm):
            centre = (int(x_mm / block_mm), int(y_mm / block_mm))
            cv2.circle(clean, centre, math.ceil(reach_mm / block_mm), 0, -1)


def average_cells(clean: np.ndarray, values: np.ndarray, step: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the means of the clean blocks in cells of `step` x `step` blocks, and their clean share.

    Cells without a clean block hold 0 and a share of 0; a rest at the right and bottom is not used.

    Errors of the answer: rounding. Source: definition.
    """
    rows, cols = clean.shape[0] // step, clean.shape[1] // step
    cut = (slice(0, rows * step), slice(0, cols * step))
    weight = clean[cut].astype(np.float32)
    share = cv2.resize(weight, (cols, rows), interpolation=cv2.INTER_AREA)
    weighted = values[cut] * (weight if values.ndim == 2 else weight[:, :, None])
    total = cv2.resize(weighted.astype(np.float32), (cols, rows), interpolation=cv2.INTER_AREA)
    floor = np.maximum(share, 1e-6)
    return total / (floor if values.ndim == 2 else floor[:, :, None]), share


def read_grey(
    face: FaceMap,
    rect_mm: tuple[float, ...],
    *,
    settings: ColourSettings | None = None,
) -> GreyReading:
    """Return the light off a grey patch that lies on the mapped face.

    Parameters
    ----------
    face : the soft-light photo on the slab.
    rect_mm : x, y, width, height of the patch in slab mm, and optionally its reflectance 0-1.
        Only the middle 80 % of the sides is read.

    Returns
    -------
    GreyReading with the mean of the middle half of each channel.

    Errors of the answer
    --------------------
    A printed patch is a few per cent off its named reflectance and fades, and a JPEG rounds its
    colour (up to 1.5 in a* and b*); that shifts all tones together, differences inside the photo hardly.

    Source
    ------
    Common practice, no source.
    """
    settings = settings or ColourSettings()
    if len(rect_mm) not in (4, 5):
        raise ColourError("Give the grey area as x, y, width, height in mm and, if known, its reflectance.")
    reflectance = check_number(
        rect_mm[4] if len(rect_mm) == 5 else settings.grey_reflectance,
        "the reflectance of the grey area", low=0.01, high=1, error=ColourError,
    )
    pixels = read_pixels(face, rect_mm, "grey area")
    middle = average_middle(pixels)
    if middle.max() > CLIPPED_LINEAR or middle.min() < 0.002:
        raise ColourError("The grey area is blown out or black: retake the photo so that it comes out mid grey.")
    spread = float(1.4826 * np.median(np.abs(pixels[:, 1] - middle[1])) / middle[1])
    if spread > GREY_UNEVEN:
        raise ColourError("The marked grey area is not even: mark only the grey patch itself.")
    place = (rect_mm[0] + rect_mm[2] / 2, rect_mm[1] + rect_mm[3] / 2)
    return GreyReading(middle.astype(np.float32), reflectance, place, spread)


def average_middle(light: np.ndarray) -> np.ndarray:
    """Return the mean of the middle half (3,) of each channel of (n, 3); specks do not count.

    Errors of the answer: noise over the root of the number. Source: our choice.
    """
    ordered = np.sort(light, axis=0)
    skip = len(light) // 4
    return ordered[skip : max(len(light) - skip, skip + 1)].mean(axis=0)


def read_pixels(face: FaceMap, rect_mm: tuple[float, ...], name: str) -> np.ndarray:
    """Return the linear light (n, 3) of the middle of a rectangle; too few pixels are a ColourError.

    Errors of the answer: none. Source: our choice of the middle 80 % of the sides.
    """
    pixels = cut_rect(face, rect_mm, GREY_INNER)
    if pixels.shape[0] * pixels.shape[1] < 16:
        raise ColourError(f"The {name} lies outside the photo or is too small: mark at least 5 x 5 pixels of it.")
    return decode_light(np.ascontiguousarray(pixels)).reshape(-1, 3)


def cut_rect(face: FaceMap, rect_mm: tuple[float, ...], inner: float = 1.0) -> np.ndarray:
    """Return the pixels (rows, cols, 3) of the inner share of a rectangle in slab mm; may be empty."""
    x_mm, y_mm, width_mm, height_mm = rect_mm[:4]
    rim = (1 - inner) / 2
    top, bottom = (y_mm + height_mm * rim, y_mm + height_mm * (1 - rim))
    left, right = (x_mm + width_mm * rim, x_mm + width_mm * (1 - rim))
    row_0, row_1, col_0, col_1 = (
        max(math.floor(edge / face.mm_per_px + 0.5), 0) for edge in (top, bottom, left, right)
    )
    return face.rgb[row_0:row_1, col_0:col_1]


def doubt_comparison(first: Shoot, second: Shoot, *, has_grey: bool = True) -> tuple[str, ...]:
    """Return why tones of two photos must not be compared; empty when they may be.

    Parameters
    ----------
    first, second : what is known of the two shootings.
    has_grey : whether both photos hold a grey reference.

    Errors of the answer
    --------------------
    A camera that changes its colours without writing so into the file is not noticed here.

    Source
    ------
    Our choice.
    """
    reasons = []
    for name, shoot in (("earlier", first), ("later", second)):
        if "assumed" in shoot.profile:
            reasons.append(f"the {name} photo carries no colour profile")
    balance = [shoot.exif.get("WhiteBalance") for shoot in (first, second)]
    if None not in balance and balance[0] != balance[1]:
        reasons.append("the white balance was changed between the photos")
    if not has_grey:
        reasons.append("not both photos hold a grey reference")
    return tuple(reasons)
