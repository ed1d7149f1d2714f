"""Light-aligned close-ups of candidates: turned to the lamp, scaled to the candidate.

Every close-up looks alike whatever the lamp's side and the pit's size: the light comes from
the left, the candidate's diameter spans the same share of it. Two layers show the candidate and its
lip (light relative to the face, and the same in grain noise levels), a third shows four diameters
around it, where scratches, seams and honeycomb give themselves away.
"""

import cv2
import numpy as np

from ..core.records import Lamp
from ..core.threads import Room
from .find import Candidates, Octave

PATCH_PX = 25
GLANCE_PX = 13
NEAR_SPAN = 1.4  # half the side of the close-up, in diameters
WIDE_SPAN = 4.0  # half the side of the surroundings, in diameters
N_LAYERS = 3
BATCH = 320  # close-ups worked on at once: what they need stays in the processor's own memory
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
    for batch in split_batches(candidates):
        patches[batch] = cut_batch(octaves, candidates.take(batch), toward_deg[batch]).transpose(
            3, 2, 0, 1
        )
    return patches


def split_batches(candidates: Candidates) -> list[np.ndarray]:
    """Return index arrays that cut the candidates into batches of one octave, neighbours together."""
    order = np.lexsort((candidates.row, candidates.octave))
    starts = np.searchsorted(candidates.octave[order], np.unique(candidates.octave))
    return [
        part[k : k + BATCH]
        for part in np.split(order, starts[1:])
        for k in range(0, len(part), BATCH)
        if len(part)
    ]


def cut_batch(
    octaves: list[Octave], batch: Candidates, toward_deg: np.ndarray, *, room: Room | None = None
) -> np.ndarray:
    """Return the close-ups of one batch (all of one octave), float32 (25, 25, 3, n): `cut_patches`, turned about.

    With the candidates along the last axis all work on them is done in long runs.
    """
    room = Room() if room is None else room
    index, last = int(batch.octave[0]), len(octaves) - 1
    patches = room.take("patches", (PATCH_PX, PATCH_PX, N_LAYERS, len(batch)))
    inverse = (1 / batch.noise).astype(np.float32)
    near = _sample(octaves[index], batch, toward_deg, (NEAR_SPAN, _GRID), room)
    np.clip(near, -1, RELIEF_LIMIT, out=patches[:, :, 0])
    np.arcsinh(np.multiply(near, inverse, out=near), out=patches[:, :, 1])
    wide = _sample(octaves[min(index + 1, last)], batch, toward_deg, (WIDE_SPAN, _GRID), room)
    np.arcsinh(np.multiply(wide, inverse, out=wide), out=patches[:, :, 2])
    return patches


def cut_glances(
    octaves: list[Octave], candidates: Candidates, toward_deg: np.ndarray
) -> np.ndarray:
    """Return coarse close-ups, float32 (n, 169): every second point of layer 1 of `cut_patches`."""
    glances = np.empty((len(candidates), GLANCE_PX**2), np.float32)
    for batch in split_batches(candidates):
        glances[batch] = glance_batch(octaves, candidates.take(batch), toward_deg[batch]).T
    return glances


def glance_batch(
    octaves: list[Octave], batch: Candidates, toward_deg: np.ndarray, *, room: Room | None = None
) -> np.ndarray:
    """Return the coarse close-ups of one batch (all of one octave), float32 (169, n)."""
    room = Room() if room is None else room
    near = _sample(octaves[int(batch.octave[0])], batch, toward_deg, (NEAR_SPAN, _GRID[::2]), room)
    near *= (1 / batch.noise).astype(np.float32)
    return np.arcsinh(near, out=near).reshape(GLANCE_PX**2, -1)


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


def lamp_at_candidates(
    candidates: Candidates, lamp: Lamp, mm_per_px: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return side and angle of the lamp in degrees as seen from every candidate."""
    return lamp.at_pit((candidates.col + 0.5) * mm_per_px, (candidates.row + 0.5) * mm_per_px)


def _sample(
    octave: Octave,
    batch: Candidates,
    toward_deg: np.ndarray,
    reach: tuple[float, np.ndarray],
    room: Room,
) -> np.ndarray:
    """The picture at the grid's points around each candidate, float32 (across, along, n)."""
    span, grid = reach
    shape = (len(grid), len(grid), len(batch))
    away_row, away_col, right_row, right_col = light_frame(toward_deg)
    size = batch.diameter_px / octave.shrink * span
    row = (batch.row - octave.top + 0.5) / octave.shrink - 0.5
    col = (batch.col + 0.5) / octave.shrink - 0.5

    def spread(name: str, centre: np.ndarray, away: np.ndarray, right: np.ndarray) -> np.ndarray:
        along = grid[:, None] * (size * away).astype(np.float32)
        across = grid[:, None] * (size * right).astype(np.float32) + centre.astype(np.float32)
        return np.add(across[:, None], along[None], out=room.take(name, shape)).reshape(
            -1, len(batch)
        )

    sampled = room.take("sampled", shape)
    cv2.remap(
        octave.picture,
        spread("col", col, away_col, right_col),
        spread("row", row, away_row, right_row),
        cv2.INTER_LINEAR,
        dst=sampled.reshape(-1, len(batch)),
        borderMode=cv2.BORDER_CONSTANT,  # beyond the map the face goes on flat: its last pixels may be a pit's wall
    )
    return sampled
