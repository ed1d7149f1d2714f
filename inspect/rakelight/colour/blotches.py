"""What stands out from the slab's tone: connected blotches, and mottling by the size of its patches.

Catalogue: `ToneMap` and `map_tone` (smooth L*a*b* of the face), `find_blotches`,
`measure_mottling`. Fewer, smaller and weaker is better.
"""

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from ..core.settings import ColourSettings
from .balance import Blocks, average_cells
from .difference import describe_tone, find_lab, measure_dE00

MAP_CELL_MM = 5.0
BLOTCH_BLUR_MM = 10.0
"""Grain finer than this is no blotch (our choice)."""
MOTTLE_SCALES_MM = (20.0, 50.0, 100.0, 200.0)
BAND = (0.1, 0.285)
"""The two Gaussian blurs whose difference picks one size of patches, as shares of that size."""


@dataclass(frozen=True, slots=True)
class ToneMap:
    """Tone of the face on a fine grid: lab (rows, cols, 3), seen (rows, cols), cell_mm."""

    lab: np.ndarray
    seen: np.ndarray
    cell_mm: float

    def smooth(self, sigma_mm: float) -> np.ndarray:
        """Return lab blurred over the seen face only (rows, cols, 3)."""
        return self._smooth(self.lab, sigma_mm)

    def smooth_lightness(self, sigma_mm: float) -> np.ndarray:
        """Return L* blurred over the seen face only (rows, cols)."""
        return self._smooth(np.ascontiguousarray(self.lab[:, :, :1]), sigma_mm)[:, :, 0]

    def _smooth(self, values: np.ndarray, sigma_mm: float) -> np.ndarray:
        sigma = sigma_mm / self.cell_mm
        weight = self.seen.astype(np.float32)
        share = cv2.GaussianBlur(weight, (0, 0), sigma)[:, :, None]
        total = cv2.GaussianBlur(values * weight[:, :, None], (0, 0), sigma)
        return total.reshape(values.shape) / np.maximum(share, 1e-6)


def map_tone(tone: np.ndarray, blocks: Blocks) -> ToneMap:
    """Return the tone map of evened linear light (rows, cols, 3), in cells of about 5 mm.

    Errors of the answer: as the grid's, with more grain. Source: our choice of cell.
    """
    step = max(round(MAP_CELL_MM / blocks.block_mm), 1)
    mean, share = average_cells(blocks.clean, tone, step)
    seen = share > 0.25
    lab = find_lab(mean)
    lab[~seen] = 0
    return ToneMap(lab, seen, step * blocks.block_mm)


def find_blotches(
    tones: ToneMap, middle: np.ndarray, *, noise_dE00: float = 0.0, settings: ColourSettings | None = None
) -> list[dict[str, Any]]:
    """Return connected areas that differ from the slab's median tone by the limit or more.

    Parameters
    ----------
    tones : from `map_tone`. middle : (3,) L*a*b* of the slab's median. noise_dE00 : standard
        uncertainty of one place from the photo's file; the limit is widened by it.

    Returns
    -------
    Mappings, largest first: x_mm, y_mm (middle), width_mm, height_mm, area_mm2, dE00 (mean),
    words. Lighter and darker areas are kept apart. Empty when nothing stands out.

    Errors of the answer
    --------------------
    The rim lies where the limit is crossed, so a soft blotch reads smaller than the eye sees it.

    Source
    ------
    Our choice.
    """
    settings = settings or ColourSettings()
    limit = widen_limit(settings.blotch_dE00, noise_dE00)
    lab = tones.smooth(BLOTCH_BLUR_MM)
    # dE00 of greys is below twice the plain distance: most of the face need not be asked.
    asked = tones.seen & (2 * np.linalg.norm(lab - np.asarray(middle), axis=2) >= limit)
    gap = np.zeros(tones.seen.shape)
    gap[asked] = measure_dE00(lab[asked], middle)
    lighter = lab[:, :, 0] >= middle[0]
    least = math.pi / 4 * settings.blotch_smallest_mm**2
    found = []
    for side in (lighter, ~lighter):
        over = ((gap >= limit) & side).astype(np.uint8)
        n_areas, labels, stats, _ = cv2.connectedComponentsWithStats(over, connectivity=8)
        for k in range(1, n_areas):
            if stats[k, cv2.CC_STAT_AREA] * tones.cell_mm**2 >= least:
                found.append(_describe_blotch(labels == k, lab, gap, middle, tones.cell_mm))
    return sorted(found, key=lambda blotch: -blotch["area_mm2"])


def widen_limit(limit_dE00: float, noise_dE00: float) -> float:
    """Return the limit that a difference must reach to stand out from a photo's own noise as well.

    Errors of the answer: as the noise. Source: 2 standard uncertainties added in squares, our choice.
    """
    return math.hypot(limit_dE00, 2 * noise_dE00)


def _describe_blotch(inside, lab, gap, middle, cell_mm: float) -> dict[str, Any]:
    rows, cols = np.nonzero(inside)
    return {
        "x_mm": float((cols.mean() + 0.5) * cell_mm), "y_mm": float((rows.mean() + 0.5) * cell_mm),
        "width_mm": float((np.ptp(cols) + 1) * cell_mm), "height_mm": float((np.ptp(rows) + 1) * cell_mm),
        "area_mm2": float(len(rows) * cell_mm**2), "dE00": float(gap[inside].mean()),
        "words": describe_tone(lab[inside].mean(axis=0), middle),
    }


def measure_mottling(
    tones: ToneMap, scales_mm: tuple[float, ...] = MOTTLE_SCALES_MM
) -> list[dict[str, float]]:
    """Return how strong the light and dark patches of each size are, as sd of L*.

    A plain wave of a size reads its own standard deviation at that size. Sizes with less than
    two patches across the face or finer than two map cells are left out.

    Errors of the answer: neighbouring sizes share about a third; noise adds below 0.1 at 20 mm.
    Source: difference of Gaussians, our choice of sizes.
    """
    sides_mm = np.array(tones.seen.shape) * tones.cell_mm
    answers = []
    for scale_mm in scales_mm:
        if scale_mm * 2 > sides_mm.min() or scale_mm < 2 * tones.cell_mm:
            continue
        fine, coarse = (tones.smooth_lightness(share * scale_mm) for share in BAND)
        response = math.exp(-2 * (math.pi * BAND[0]) ** 2) - math.exp(-2 * (math.pi * BAND[1]) ** 2)
        band = (fine - coarse)[tones.seen] / response
        answers.append({"scale_mm": scale_mm, "sd_L": float(band.std())})
    return answers
