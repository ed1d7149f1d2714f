"""Light-aligned close-ups of candidates: turned to the lamp, scaled to the candidate.

Every close-up looks alike whatever the lamp's side and the pit's size: the light comes from
the left, the candidate's diameter spans the same share of it. Two layers show the candidate and its
lip (light relative to the face, and the same in grain noise levels), a third shows four diameters
around it, where scratches, seams and honeycomb give themselves away.
"""

import cv2
import numpy as np

from ..core.records import Lamp
from .find import Candidates, Octave

PATCH_PX = 25
GLANCE_PX = 13
NEAR_SPAN = 1.4  # half the side of the close-up, in diameters
WIDE_SPAN = 4.0  # half the side of the surroundings, in diameters
N_LAYERS = 3
BATCH = 1024  # close-ups sampled in one call: keeps each call's picture below 32767 rows
RELIEF_LIMIT = 4.0
_GRID = np.linspace(-1, 1, PATCH_PX, dtype=np.float32)


def cut_patches(
    octaves: list[Octave], candidates: Candidates, toward_deg: np.ndarray
) -> np.ndarray:
    """Return close-ups, float32 (n, 3, 25, 25), the light coming from the left in each.

    Parameters
    ----------
    octaves : list of Octave
        The scale space the candidates came from.
    candidates : Candidates
    toward_deg : float array (n,)
        Side the light comes from at each candidate, degrees clockwise from up.

    Returns
    -------
    float32 (n, 3, 25, 25)
        Layer 0: light relative to the face, limited to -1..4. Layer 1: asinh of the same in
        noise levels. Layer 2: as layer 1, four diameters around.
    """
    patches = np.empty((len(candidates), N_LAYERS, PATCH_PX, PATCH_PX), np.float32)
    last = len(octaves) - 1
    for index in np.unique(candidates.octave):
        chosen = np.flatnonzero(candidates.octave == index)
        for start in range(0, len(chosen), BATCH):
            batch = chosen[start : start + BATCH]
            near = _sample(octaves[index], candidates, toward_deg, batch, NEAR_SPAN)
            wide = _sample(octaves[min(index + 1, last)], candidates, toward_deg, batch, WIDE_SPAN)
            noise = candidates.noise[batch][:, None, None]
            patches[batch, 0] = np.clip(near, -1, RELIEF_LIMIT)
            patches[batch, 1] = np.arcsinh(near / noise)
            patches[batch, 2] = np.arcsinh(wide / noise)
    return patches


def cut_glances(octaves: list[Octave], candidates: Candidates, toward_deg: np.ndarray) -> np.ndarray:
    """Return coarse close-ups, float32 (n, 169): every second point of layer 1 of `cut_patches`."""
    glances = np.empty((len(candidates), GLANCE_PX**2), np.float32)
    for index in np.unique(candidates.octave):
        chosen = np.flatnonzero(candidates.octave == index)
        for start in range(0, len(chosen), BATCH):
            batch = chosen[start : start + BATCH]
            near = _sample(octaves[index], candidates, toward_deg, batch, NEAR_SPAN, _GRID[::2])
            near /= candidates.noise[batch][:, None, None]
            glances[batch] = np.arcsinh(near).reshape(len(batch), -1)
    return glances


def describe_candidates(candidates: Candidates, lamp_angle_deg: np.ndarray) -> np.ndarray:
    """Return numbers that go with each close-up, float32 (n, 4).

    Log of the noise, log of the diameter in pixels of its octave (set by the sampling), sine of the
    lamp's angle (0 when unknown) and whether it is known.
    """
    known = np.isfinite(lamp_angle_deg)
    sine = np.where(known, np.sin(np.radians(np.where(known, lamp_angle_deg, 0.0))), 0.0)
    return np.column_stack(
        [
            np.log(candidates.noise) + 3.0,
            np.log(candidates.diameter_px) - 2.0,
            sine,
            known.astype(np.float32),
        ]
    ).astype(np.float32)


def light_frame(toward_deg: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return (away_row, away_col, right_row, right_col): unit steps of the close-up's two axes.

    `away` leads away from the lamp (to the right in the close-up), `right` leads down in it.
    """
    angle = np.radians(np.asarray(toward_deg, np.float32))
    away_row, away_col = np.cos(angle), -np.sin(angle)
    return away_row, away_col, away_col, -away_row


def lamp_at_candidates(candidates: Candidates, lamp: Lamp, mm_per_px: float) -> tuple[np.ndarray, np.ndarray]:
    """Return side and angle of the lamp in degrees as seen from every candidate."""
    return lamp.at_pit((candidates.col + 0.5) * mm_per_px, (candidates.row + 0.5) * mm_per_px)


def _sample(
    octave: Octave,
    candidates: Candidates,
    toward_deg: np.ndarray,
    batch: np.ndarray,
    span: float,
    grid: np.ndarray = _GRID,
) -> np.ndarray:
    away_row, away_col, right_row, right_col = light_frame(toward_deg[batch])
    size = candidates.diameter_px[batch] / octave.shrink * span
    row = (candidates.row[batch] + 0.5) / octave.shrink - 0.5
    col = (candidates.col[batch] + 0.5) / octave.shrink - 0.5
    u, v = grid[None, None, :], grid[None, :, None]

    def spread(centre: np.ndarray, away: np.ndarray, right: np.ndarray) -> np.ndarray:
        steps = (size * away)[:, None, None] * u + (size * right)[:, None, None] * v
        return (centre[:, None, None] + steps).astype(np.float32).reshape(-1, len(grid))

    sampled = cv2.remap(
        octave.picture,
        spread(col, away_col, right_col),
        spread(row, away_row, right_row),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return sampled.reshape(-1, len(grid), len(grid))
