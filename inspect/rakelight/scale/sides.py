"""One side of the slab followed through the photo, station by station, to part of a pixel."""

from dataclasses import dataclass

import numpy as np

from .plane import list_linear_light

BOW_SHARE = 0.035  # a barrel lens bows a side by up to this share of its length
N_STATIONS = 240
N_COARSE = 60  # stations used to choose the curve
INNER_SHARE = 0.6  # an edge this strong beats a stronger one further out


@dataclass(frozen=True, slots=True)
class _Strip:
    """The photo along one side: places, how fast the tone changes across, and the axes."""

    start: np.ndarray
    along: np.ndarray
    across: np.ndarray  # outward
    length_px: float
    distance_px: np.ndarray
    offset_px: np.ndarray
    slope: np.ndarray
    inside: np.ndarray


def trace_sides(
    grey: np.ndarray,
    corners_px: np.ndarray,
    *,
    anchor_px: float = 6.0,
) -> list[np.ndarray]:
    """Return points (n, 2) along each side (top, right, bottom, left); empty where no edge is seen.

    Parameters
    ----------
    grey : uint8 (rows, cols)
    corners_px : (4, 2)
        Where the sides start and end, clockwise.
    anchor_px : float, px
        How far from its corners a side may start and end; in between it may bow by 3.5 % of its
        length, as a barrel lens makes it.

    Of two strong edges side by side the inner one is taken: the outer one is then the foot of the
    slab's own vertical side.

    Errors of the answer: 0.2-0.5 px on sharp photos; along a chamfer its inner edge is taken.
    """
    sides = []
    for k in range(4):
        strip = _cut_strip(grey, corners_px[k], corners_px[(k + 1) % 4], anchor_px)
        curve_px, sign = _choose_curve(strip, anchor_px)
        sides.append(_follow_curve(strip, curve_px, sign))
    return sides


def _cut_strip(grey: np.ndarray, start: np.ndarray, end: np.ndarray, anchor_px: float) -> _Strip:
    length_px = float(np.hypot(*(end - start)))
    along = (end - start) / length_px
    across = np.array([along[1], -along[0]])
    reach_px = float(np.clip(BOW_SHARE * length_px, 6, 160)) + anchor_px + 4
    offset_px = np.arange(-np.ceil(reach_px), np.ceil(reach_px) + 1)
    distance_px = np.linspace(0.02, 0.98, N_STATIONS) * length_px
    at = start + distance_px[:, None, None] * along + offset_px[None, :, None] * across
    limits = np.array([grey.shape[1] - 2, grey.shape[0] - 2])
    inside = ((at >= 1) & (at <= limits)).all(axis=-1)
    slope = np.where(inside, _measure_slope(grey, at), 0)
    return _Strip(start, along, across, length_px, distance_px, offset_px, slope, inside)


def _measure_slope(grey: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Return how fast the tone changes outward, (stations, offsets)."""
    import cv2

    x_px, y_px = (np.ascontiguousarray(at[..., axis], np.float32) for axis in (0, 1))
    strip = cv2.remap(grey, x_px, y_px, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    light = cv2.GaussianBlur(list_linear_light()[strip], (0, 0), 1.5)
    return np.gradient(light, axis=1)


def _choose_curve(strip: _Strip, anchor_px: float) -> tuple[np.ndarray, int]:
    """Return the bowed curve (offset per station) along which most of the tone's change lies."""
    step_px = max(1.5, anchor_px / 6)
    ends = np.arange(-anchor_px, anchor_px + step_px / 2, step_px)
    reach_px = BOW_SHARE * strip.length_px
    bows = np.arange(-reach_px, reach_px + 0.75, 1.5)
    start, end, bow = (axis.ravel() for axis in np.meshgrid(ends, ends, bows, indexing="ij"))
    coarse = np.linspace(0, N_STATIONS - 1, N_COARSE).astype(int)
    share = strip.distance_px / strip.length_px
    at = _bow(share[coarse], start[:, None], end[:, None], bow[:, None])
    index = np.clip(np.rint(at - strip.offset_px[0]).astype(int), 0, len(strip.offset_px) - 1)
    slope = strip.slope[coarse]
    # No single station may outvote the others: a pit or a tape at the edge is steeper than it.
    cap = 0.6 * float(np.median(np.abs(slope).max(axis=1)))
    best: tuple[float, np.ndarray, int] | None = None
    for sign in (1, -1):
        total = np.clip(sign * slope, 0, cap)[np.arange(N_COARSE), index].sum(axis=1)
        strong = np.flatnonzero(total >= INNER_SHARE * total.max())
        inmost = strong[at[strong].mean(axis=1) <= at[strong].mean(axis=1).min() + 2]
        pick = int(inmost[total[inmost].argmax()])
        curve = _bow(share, start[pick], end[pick], bow[pick])
        if best is None or total[pick] > best[0]:
            best = (float(total[pick]), curve, sign)
    return best[1], best[2]


def _bow(share: np.ndarray, start: np.ndarray, end: np.ndarray, bow: np.ndarray) -> np.ndarray:
    return start * (1 - share) + end * share + 4 * bow * share * (1 - share)


def _follow_curve(strip: _Strip, curve_px: np.ndarray, sign: int) -> np.ndarray:
    """Return the points of steepest tone near a curve, or none when half of it shows no edge."""
    rows = np.arange(N_STATIONS)
    slope = sign * strip.slope
    near = np.arange(-3, 4)
    centre = np.rint(curve_px - strip.offset_px[0]).astype(int)
    columns = np.clip(centre[:, None] + near, 1, slope.shape[1] - 2)
    path = columns[rows, slope[rows[:, None], columns].argmax(axis=1)]
    strength = slope[rows, path]
    clear = (strength > 0.35 * np.median(strength)) & strip.inside[rows, path]
    clear &= strength > 3 * 1.4826 * float(np.median(np.abs(slope)))
    if np.count_nonzero(clear) < 0.5 * N_STATIONS:
        return np.empty((0, 2))
    shift_px = strip.offset_px[path] + _find_peak(slope, path)
    clear &= _is_smooth(strip.distance_px, shift_px, clear)
    points = strip.start + strip.distance_px[:, None] * strip.along
    return (points + shift_px[:, None] * strip.across)[clear]


def _find_peak(slope: np.ndarray, path: np.ndarray) -> np.ndarray:
    """Return where between the offsets the slope peaks, -0.5 to 0.5, by a parabola."""
    rows = np.arange(len(path))
    low, here, high = (slope[rows, path + k] for k in (-1, 0, 1))
    bend = low - 2 * here + high
    peak = np.where(bend < 0, 0.5 * (low - high) / np.where(bend < 0, bend, -1), 0.0)
    return np.clip(peak, -0.5, 0.5)


def _is_smooth(distance_px: np.ndarray, shift_px: np.ndarray, clear: np.ndarray) -> np.ndarray:
    """Return which stations lie on one gently bent curve."""
    share = distance_px / distance_px[-1] - 0.5
    keep = clear.copy()
    for _ in range(4):
        curve = np.polyfit(share[keep], shift_px[keep], 3)
        away = np.abs(shift_px - np.polyval(curve, share))
        keep = clear & (away < 3 * 1.4826 * np.median(away[keep]) + 0.3)
    return keep
