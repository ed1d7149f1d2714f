"""Straight things that only tone shows: pour joints, and bars or mesh that ghost at a regular pitch.

Catalogue: `find_joints` (a step of tone along a line right across the face) and `find_ghosting`
(a regular pitch along or across). Neither says what the cause is.
"""

import math
from typing import Any

import cv2
import numpy as np

from .balance import average_cells
from .blotches import ToneMap
from .difference import describe_tone, measure_dE00

JOINT_SIDE_MM = 80.0
"""Tone is compared over this much on either side of a line (our choice)."""
JOINT_LEAST_DE00 = 0.7
JOINT_SURE = 4.5
"""A step must stand this many robust sd above the other steps of the face (made-up slabs)."""
JOINT_AGREE, JOINT_PART = 0.75, 0.4
"""Share of the line along which the step must reach this part of its usual height."""
JOINT_NEAR_MM, JOINT_SHARP = 25.0, 0.75
"""Read this near the line the step must keep this part of its height: blotches and mottling are
softer (at most .7 on made-up slabs, joints about 1)."""
LEANS = ((20.0, tuple(range(-35, 36, 5))), (10.0, (-2.5, 0.0, 2.5)))
"""Leans are tried on cells of this side in mm, in degrees: four lie in the belt on either side of a line."""
PITCH_MM = (40.0, 320.0)
"""Pitches looked for: fine mesh to wide bar spacing (our choice)."""
PITCH_CHANCE = 1e-3
"""Chance of such a peak on a face without a pitch, for one direction."""
N_STRIPS, IN_STEP_LEAST, N_BARS_LEAST = 4, 0.85, 6
"""Bars lie at the same places in every strip of the face; patches of mottling do not."""


def find_joints(tones: ToneMap) -> list[dict[str, Any]]:
    """Return lines right across the face where the tone steps, strongest first (at most one each way).

    Each mapping: runs (``across`` the length or ``along`` it), x_mm, y_mm (where the line crosses
    the middle of the face), lean_deg (from square, clockwise), dE00, words (the right or lower
    side against the other).

    Errors of the answer
    --------------------
    The place is good to about 15 mm, the lean to 3 degrees. A wavy joint reads weaker. The edge
    of a blotch is passed over unless it runs right across.

    Source
    ------
    Our choice.
    """
    ways = (
        (tones.lab, tones.seen, tones.cell_mm, "across"),
        (tones.lab.swapaxes(0, 1), tones.seen.T, tones.cell_mm, "along"),
    )
    found = [_find_joint(*way) for way in ways]
    clear = [line for line in found if line is not None and line["dE00"] >= JOINT_LEAST_DE00]
    return sorted(clear, key=lambda line: -line["dE00"])


def _find_joint(lab: np.ndarray, seen: np.ndarray, cell_mm: float, runs: str) -> dict[str, Any] | None:
    side = round(JOINT_SIDE_MM / cell_mm)
    rows, cols = seen.shape
    if cols < 4 * side or rows < 8:
        return None
    level = lab - lab[seen].mean(axis=0)
    lean = 0.0
    for lean_cell_mm, turns_deg in LEANS:
        step = max(min(round(lean_cell_mm / cell_mm), rows // 8), 1)
        small, share = average_cells(seen, level[:, :, 0], step)
        tried = [_find_step(small[:, :, None], share > 0.5, lean + turn, round(side / step)) for turn in turns_deg]
        lean = max(tried, key=lambda found: abs(found[0]))[2]
    height, sure, lean, col = _find_step(level, seen, lean, side)
    if sure < JOINT_SURE:
        return None
    leaned = _lean(level, seen, lean)
    steps = _step_across(*leaned, side)[:, col]
    steps = steps[np.isfinite(steps[:, 0])]
    near = round(JOINT_NEAR_MM / cell_mm)
    sharp = _find_medians(_step_across(*leaned, near)[:, col - near : col + near + 1, 0]) / (height or 1)
    agree = np.mean(steps[:, 0] / (height or 1) >= JOINT_PART) if len(steps) else 0
    if agree < JOINT_AGREE or sharp.max() < JOINT_SHARP:
        return None
    return _describe_joint(lab[seen], np.median(steps, axis=0), runs) | _place_joint(
        col * cell_mm, rows * cell_mm / 2, lean, runs
    )


def _find_step(lab: np.ndarray, seen: np.ndarray, lean: float, side: int) -> tuple[float, float, float, int]:
    """Return the highest step of L* of lines that lean one way: height, how sure, lean, column."""
    steps = _step_across(*_lean(lab[:, :, :1], seen, lean), side)
    # The median along the line: a blotch on part of it does not make a joint.
    profile = _find_medians(steps[:, :, 0])
    spread = 1.4826 * float(np.median(np.abs(profile - np.median(profile)))) + 0.02
    col = int(np.argmax(np.abs(profile)))
    return float(profile[col]), abs(float(profile[col])) / spread, lean, col


def _find_medians(values: np.ndarray) -> np.ndarray:
    """Return the median of each column's finite values; 0 where less than half of them are."""
    ordered = np.sort(np.ascontiguousarray(values.T), axis=1)  # NaN goes to the end
    n_finite = np.isfinite(ordered).sum(axis=1)
    middle = ordered[np.arange(values.shape[1]), np.maximum(n_finite - 1, 0) // 2]
    return np.where(n_finite >= values.shape[0] / 2, middle, 0.0)


def _lean(lab: np.ndarray, seen: np.ndarray, lean_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the map sheared about its middle row, so that leaning lines stand upright."""
    rows, cols = seen.shape
    slope = math.tan(math.radians(lean_deg))
    shear = np.array([[1, -slope, slope * (rows - 1) / 2], [0, 1, 0]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    leaned = cv2.warpAffine(np.ascontiguousarray(lab), shear, (cols, rows), flags=flags)
    leaned = leaned.reshape(rows, cols, -1)
    ok = cv2.warpAffine(np.ascontiguousarray(seen).astype(np.float32), shear, (cols, rows), flags=flags)
    return leaned, ok > 0.99


def _step_across(lab: np.ndarray, ok: np.ndarray, side: int) -> np.ndarray:
    """Return the mean of the `side` cells from each place on minus that of those before (rows, cols, 3)."""
    weight = ok.astype(np.float32)
    total = np.cumsum(np.pad(lab * weight[:, :, None], ((0, 0), (1, 0), (0, 0))), axis=1, dtype=np.float32)
    count = np.cumsum(np.pad(weight, ((0, 0), (1, 0))), axis=1, dtype=np.float32)
    # Sums over `side` cells, and how many of them were seen.
    total, count = total[:, side:] - total[:, :-side], count[:, side:] - count[:, :-side]
    mean = total / np.where(count > side / 2, count, np.nan)[:, :, None]
    steps = np.full(lab.shape, np.nan, np.float32)
    steps[:, side : lab.shape[1] - side] = mean[:, side:-1] - mean[:, : -side - 1]
    return steps


def _describe_joint(tones: np.ndarray, change: np.ndarray, runs: str) -> dict[str, Any]:
    middle = np.median(tones, axis=0)
    return {
        "kind": "joint", "runs": runs,
        "dE00": float(measure_dE00(middle + change / 2, middle - change / 2)),
        "words": describe_tone(middle + change, middle),
    }


def _place_joint(along_mm: float, across_mm: float, lean: float, runs: str) -> dict[str, float]:
    x_mm, y_mm = (along_mm, across_mm) if runs == "across" else (across_mm, along_mm)
    return {"x_mm": float(x_mm), "y_mm": float(y_mm), "lean_deg": float(lean)}


def find_ghosting(tones: ToneMap) -> list[dict[str, Any]]:
    """Return regular pitches of light and dark along and across the face, at most one each way.

    Each mapping: kind ``pitch``, runs (``across``: bars square to the length, ``along``),
    pitch_mm, swing_L (peak to valley of L*), in_step (0 to 1: how well strips of the face agree
    where the dark lines lie).

    Errors of the answer
    --------------------
    The pitch is good to about its square over twice the length of the face; bars that are not
    parallel to an edge are missed, and so are fewer than six of them.

    Source
    ------
    Periodogram against its own smooth run, exponential law of its peaks (Schuster, 1898, from memory).
    """
    found = []
    for runs, lab, seen in (
        ("across", tones.lab[:, :, 0], tones.seen), ("along", tones.lab[:, :, 0].T, tones.seen.T),
    ):
        profiles = _read_strips(lab, seen)
        peak = None if profiles is None else _find_pitch(profiles, tones.cell_mm)
        if peak is not None:
            found.append({"kind": "pitch", "runs": runs, **peak})
    return found


def _read_strips(tone: np.ndarray, seen: np.ndarray) -> np.ndarray | None:
    """Return L* along the columns for each of four strips of rows (4, cols), without slow changes."""
    rows, cols = tone.shape
    if rows < 4 * N_STRIPS or cols < 24:
        return None
    place, profiles = np.linspace(-1, 1, cols), []
    for part in np.array_split(np.arange(rows), N_STRIPS):
        weight = seen[part].astype(np.float64)
        count = weight.sum(axis=0)
        known = np.flatnonzero(count >= 0.3 * len(part))
        if len(known) < 0.85 * cols:
            return None
        mean = (tone[part] * weight).sum(axis=0)[known] / count[known]
        profile = np.interp(np.arange(cols), known, mean)
        profiles.append(profile - np.polyval(np.polyfit(place, profile, 3), place))
    return np.array(profiles)


def _find_pitch(profiles: np.ndarray, cell_mm: float) -> dict[str, float] | None:
    from scipy.ndimage import median_filter  # only pitches need it

    n_cells = profiles.shape[1]
    window = np.hanning(n_cells)
    waves = np.fft.rfft(profiles * window, axis=1)
    power = np.abs(waves.mean(axis=0)) ** 2
    per_mm = np.arange(len(power)) / (n_cells * cell_mm)
    inside = (per_mm > 1 / PITCH_MM[1]) & (per_mm < 1 / PITCH_MM[0]) & (np.arange(len(power)) >= N_BARS_LEAST)
    if inside.sum() < 8:
        return None
    # Mottling is red: each peak is held against the run of the spectrum around it.
    run = median_filter(power, size=15, mode="nearest") / math.log(2)
    ratio = np.where(inside, power / np.maximum(run, 1e-12), 0)
    best = int(np.argmax(ratio))
    in_step = float(np.abs(waves[:, best].mean()) / np.maximum(np.abs(waves[:, best]).mean(), 1e-12))
    chance = 1 - (1 - math.exp(-ratio[best])) ** int(inside.sum())
    if chance > PITCH_CHANCE or in_step < IN_STEP_LEAST:
        return None
    swing = 4 * math.sqrt(power[best]) / window.sum()
    return {"pitch_mm": float(1 / per_mm[best]), "swing_L": float(swing), "in_step": in_step}
