"""One patch and the face around it as two levels of tone, each with its uncertainty.

Catalogue: `Levels` and `fit_levels`. A pixel's tone is the ring's, plus the patch's step where the
patch lies, as blurred as the photo blurs it; luma and chroma are fitted apart, as a JPEG keeps
chroma coarser and lets it bleed over the rim.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np

from .rounding import Rounding

YCC_OF_RGB = np.array(
    [[0.299, 0.587, 0.114], [-0.168736, -0.331264, 0.5], [0.5, -0.418688, -0.081312]]
)
"""Luma and chroma of red, green and blue: ITU-R BT.601 as JPEG files use it."""
RGB_OF_YCC = np.linalg.inv(YCC_OF_RGB)
LUMA_BLUR_PX, CHROMA_BLUR_PX = 0.75, 1.2
"""Usual blur of a photo in luma and of chroma kept at half size, as Gaussian sigmas (made-up photos)."""
CHROMA_SMOOTH_PX = 1.5
"""Chroma is smoothed by this before it is fitted: finer detail does not survive a JPEG."""
RELATED_PX, RELATED_SIDE_PX = 4.0, (9, 31)
"""At least so many neighbouring pixels tell the same; how many more is read in squares about as wide as
the patch, between these sides."""
RIM_PX, RIM_SHARE = 1.7, 0.15
"""Luma this near to the patch's rim, in pixels or as a share of the radius, is not read."""
LEVEL_SD = (0.2, 0.06, 0.06)
"""Neither patch nor ring is of quite one tone: standard uncertainty in codes (our choice)."""
N_ROUNDS, HUBER, SPECK = 4, 2.0, 5.0
"""Rounds of the fit; beyond so many robust sd a pixel counts less, and beyond the last it is a speck."""


@dataclass(frozen=True, slots=True)
class Levels:
    """Linear light (3,) of patch and ring, and what one sd of their step is: (3, 3) linear light, a row
    for luma and for each chroma."""

    patch: np.ndarray
    ring: np.ndarray
    step_sd: np.ndarray


def fit_levels(
    light: np.ndarray,
    x_px: np.ndarray,
    y_px: np.ndarray,
    *,
    radius_px: float,
    usable: np.ndarray,
    rounding: Rounding,
) -> Levels:
    """Return the two levels of a cut-out (rows, cols, 3) of linear light around one patch.

    Parameters
    ----------
    light : linear light; x_px, y_px : places of its columns (1, cols) and rows (rows, 1) from the
        patch's middle.
    radius_px : the patch's.
    usable : bool (rows, cols), True where this patch or clean face is seen.
    rounding : of the photo's file.

    Errors of the answer
    --------------------
    The patch is taken for a disc of one tone. A radius wrong by 6 % or a place by 0.7 pixels adds
    some hundredths of dE00; colour that a JPEG rounded away is in the uncertainty only.

    Source
    ------
    Least squares with Huber's weights: common practice, no source.
    """
    away = np.hypot(x_px, y_px)
    middle = np.median(light[usable & (away > radius_px)], axis=0).astype(np.float64)
    slope = _find_slope(middle)
    # Linear light over its slope: averages stay those of light, noise is even as in codes.
    ycc = ((light / slope) @ YCC_OF_RGB.T).astype(np.float32)
    place = np.broadcast_arrays(x_px, y_px)
    rim = np.abs(away - radius_px) <= min(max(RIM_PX, RIM_SHARE * radius_px), radius_px / 2)
    luma, luma_sd, is_sound = _fit_step(
        ycc[:, :, :1], place, blur_disc(away, radius_px, LUMA_BLUR_PX), usable & ~rim
    )
    clean = (usable & is_sound).astype(np.float32)
    disc = blur_disc(away, radius_px, CHROMA_BLUR_PX)
    smooth, chroma_disc = _smooth(ycc[:, :, 1:], clean), _smooth(disc[:, :, None], clean)[:, :, 0]
    chroma, chroma_sd, _ = _fit_step(smooth, place, chroma_disc, clean > 0, n_rounds=1)
    ring, step = np.concatenate([luma, chroma], axis=1)
    sds = (np.concatenate([luma_sd, chroma_sd]), rounding.find_step_sd(2 * radius_px), LEVEL_SD)
    sd = np.linalg.norm(sds, axis=0)
    to_light = RGB_OF_YCC.T * slope
    return Levels((ring + step) @ to_light, ring @ to_light, sd[:, None] * to_light)


def blur_disc(away_px: np.ndarray, radius_px: float, sigma_px: float) -> np.ndarray:
    """Return the share (rows, cols) of a blurred disc in each pixel, from the pixels' distances to its middle.

    Errors of the answer: a hundredth. Source: definition.
    """
    disc = np.clip(0.5 + radius_px - away_px, 0, 1).astype(np.float32)
    return cv2.GaussianBlur(disc, (0, 0), sigma_px, borderType=cv2.BORDER_REPLICATE)


def _find_slope(linear: np.ndarray) -> np.ndarray:
    """Return how much linear light (3,) one sRGB code of 255 is worth."""
    code = 1.055 * np.maximum(linear, 1e-4) ** (1 / 2.4) - 0.055
    return 2.4 / 1.055 * ((np.maximum(code, 0.04) + 0.055) / 1.055) ** 1.4 / 255


def _smooth(values: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Return values (rows, cols, n) smoothed over the pixels that have weight."""
    share = cv2.GaussianBlur(weight, (0, 0), CHROMA_SMOOTH_PX)[:, :, None]
    total = cv2.GaussianBlur(values * weight[:, :, None], (0, 0), CHROMA_SMOOTH_PX)
    return total.reshape(values.shape) / np.maximum(share, 1e-6)


def _fit_step(
    values: np.ndarray, place, disc: np.ndarray, inside: np.ndarray, *, n_rounds: int = N_ROUNDS
):
    """Return (ring and step (2, n), sd of the step (n,), is_sound (rows, cols): no speck)."""
    terms = np.column_stack(
        [np.ones(inside.sum()), disc[inside], *(axis[inside] / 20 for axis in place)]
    )
    wanted, trust = values[inside].astype(np.float64), np.ones(inside.sum())
    for _ in range(n_rounds):
        inverse = np.linalg.inv(terms.T @ (trust[:, None] * terms) + 1e-9 * np.eye(4))
        found = inverse @ (terms.T @ (trust[:, None] * wanted))
        rest = wanted - terms @ found
        spread = 1.4826 * max(float(np.median(np.abs(rest[:, 0]))), 1e-6)
        used, trust = trust, 1 / np.maximum(np.abs(rest[:, 0]) / (HUBER * spread), 1)
    field = np.zeros((*inside.shape, rest.shape[1]), np.float32)
    field[inside] = used[:, None] * rest
    related = _count_related(
        field, inside.astype(np.float32), round(math.sqrt(disc.sum() / math.pi)) * 2 - 1
    )
    variance = (used[:, None] * np.square(rest)).sum(axis=0) / max(used.sum() - 4, 1)
    is_sound = np.ones(inside.shape, bool)
    is_sound[inside] = np.abs(rest[:, 0]) < SPECK * spread
    return found[:2], np.sqrt(variance * inverse[1, 1] * related), is_sound


def _count_related(rest: np.ndarray, inside: np.ndarray, wide_px: int) -> np.ndarray:
    """Return how many neighbouring pixels tell the same (n,), from residuals (rows, cols, n)."""
    side = min(max(wide_px, RELATED_SIDE_PX[0]), RELATED_SIDE_PX[1])
    size = (side, side)
    total = cv2.boxFilter(rest, -1, size, normalize=False, borderType=cv2.BORDER_CONSTANT)
    count = cv2.boxFilter(inside, -1, size, normalize=False, borderType=cv2.BORDER_CONSTANT)
    power = np.square(rest).sum(axis=(0, 1)) / max(inside.sum(), 1)
    full = count >= 0.8 * side**2
    if full.sum() < side**2:
        return np.full(rest.shape[2], RELATED_PX)
    spread = np.square(total.reshape(rest.shape)[full]).mean(axis=0) / count[full].mean()
    return np.maximum(spread / np.maximum(power, 1e-9), RELATED_PX)
