"""The outline of the mouth, not of the shadow.

The sorter says how far the lip is in sixteen directions around each pit; here these distances
become a smooth closed outline in slab millimetres whose area is that of the pit's diameter.
"""

import numpy as np

from .network import N_RAYS
from .patches import light_frame
from .sort import Sorted

N_POINTS = 48  # corners of an outline: a circle drawn so is .3 % short of its area, which is put right


def trace_outlines(pits: Sorted, mm_per_px: float) -> np.ndarray:
    """Return the outlines, float64 (n, 48, 2) of x_mm, y_mm on the slab, not closed.

    Parameters
    ----------
    pits : Sorted
        Places and sizes in map pixels, lips in the frame of the light.
    mm_per_px : float
        Size of a map pixel.

    Returns
    -------
    float64 (n, 48, 2)
        Empty (0, 48, 2) when there are no pits.

    Errors of the answer
    --------------------
    Lips more ragged than about one eighth of the way round are rounded off. Area is exact to the
    diameter it was given; shape is good to some 10 % of the radius for pits of 6 px and more.

    Source
    ------
    Distances along rays from the centre (star-shaped outline), our choice.
    """
    c = pits.candidates
    lip = _smooth_round(pits.lip)
    angle = np.arange(N_POINTS) * (2 * np.pi / N_POINTS)
    along, across = lip * np.cos(angle), lip * np.sin(angle)
    area = 0.5 * np.sum(along * np.roll(across, -1, 1) - np.roll(along, -1, 1) * across, axis=1)
    scale = (c.diameter_px / 2 * np.sqrt(np.pi / np.maximum(area, 1e-9)))[:, None]
    away_row, away_col, right_row, right_col = (v[:, None] for v in light_frame(pits.toward_deg))
    row = c.row[:, None] + scale * (along * away_row + across * right_row)
    col = c.col[:, None] + scale * (along * away_col + across * right_col)
    return np.stack([(col + 0.5) * mm_per_px, (row + 0.5) * mm_per_px], axis=2).astype(float)


def measure_outlines(outlines_mm: np.ndarray) -> dict[str, np.ndarray]:
    """Return centre, area and calipers of outlines (n, points, 2) in mm.

    Returns
    -------
    dict of float arrays (n,)
        x_mm, y_mm (centre of area), area_mm2, length_mm, width_mm (largest and smallest caliper).

    Errors of the answer: calipers are read every 5 degrees, at most .2 % short or long.
    Source: shoelace formula; width between parallel lines.
    """
    x, y = outlines_mm[..., 0], outlines_mm[..., 1]
    x_next, y_next = np.roll(x, -1, axis=1), np.roll(y, -1, axis=1)
    cross = x * y_next - x_next * y
    twice = cross.sum(axis=1)
    safe = np.where(np.abs(twice) > 0, twice, 1.0)
    directions = np.radians(np.arange(0, 180, 5))
    reach = outlines_mm @ np.stack([np.cos(directions), np.sin(directions)])
    calipers = np.ptp(reach, axis=1) if len(outlines_mm) else np.empty((0, len(directions)))
    return {
        "x_mm": ((x + x_next) * cross).sum(axis=1) / (3 * safe),
        "y_mm": ((y + y_next) * cross).sum(axis=1) / (3 * safe),
        "area_mm2": np.abs(twice) / 2,
        "length_mm": calipers.max(axis=1),
        "width_mm": calipers.min(axis=1),
    }


def _smooth_round(lip: np.ndarray) -> np.ndarray:
    """Sixteen distances as 48, through the same points, without corners (periodic, band-limited)."""
    waves = np.fft.rfft(np.log(lip), axis=1)
    fine = np.zeros((len(lip), N_POINTS // 2 + 1), complex)
    fine[:, : N_RAYS // 2] = waves[:, : N_RAYS // 2]
    fine[:, N_RAYS // 2] = waves[:, N_RAYS // 2] / 2
    return np.exp(np.fft.irfft(fine * (N_POINTS / N_RAYS), n=N_POINTS, axis=1))
