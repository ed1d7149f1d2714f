"""What the photo itself says about its lamp: the axis from the grain, the side from the pits.

Walking away from the lamp, a pit is dark first and bright after; a bump is the other way round;
a stain has no bright side at all. Every dark spot with a bright neighbour therefore votes for a
lamp side. Pits outnumber bumps on nearly every cast face, so the sum of votes tells the side;
where bumps are as many as pits, nothing in one photo can.

| figure | meaning | better |
|---|---|---|
| `axis_strength` | 0 light from everywhere or a blank face, 1 one clear light axis | higher |
| `n_votes` | dark spots with a bright neighbour | higher |
| `shadow_level` | light left in the shadows, share of the face around them | lower |
| `wall_light` | light on the brightest pit walls, in units of the face around them | higher |
| `bright_share` | lit part of the spots that vote, by area | lower |
"""

from dataclasses import dataclass

import cv2
import numpy as np

from ..core.records import FaceMap, FlatPhoto
from ..core.settings import LightSettings

MAX_WINDOW_PX = 1024
MIN_SPOT_PX = 3


@dataclass(frozen=True, slots=True)
class Window:
    """One part of the relief at the working scale.

    relief : float32 (rows, cols); left_mm, top_mm : its corner; mm_per_px : size of its pixels.
    """

    relief: np.ndarray
    left_mm: float
    top_mm: float
    mm_per_px: float


@dataclass(frozen=True, slots=True)
class Votes:
    """Dark spots with a bright neighbour, as arrays of equal length.

    from_deg : lamp side each votes for if it is a pit; weight : strength of its vote; reach_mm :
    how far its bright side may lie from its middle; bright_share : lit part of it, by area.
    """

    x_mm: np.ndarray
    y_mm: np.ndarray
    from_deg: np.ndarray
    weight: np.ndarray
    reach_mm: np.ndarray
    bright_share: np.ndarray

    def __len__(self) -> int:
        return len(self.weight)


def cut_windows(flat: FlatPhoto, face: FaceMap, settings: LightSettings) -> list[Window]:
    """Return the relief at the working scale: all of it when small, spread windows when large.

    Source: our choice; two megapixels at about 0.35 mm hold the pits of a quarter square metre.
    """
    shrink = max(1, round(settings.evidence_mm_per_px / flat.mm_per_px))
    rows, cols = flat.relief.shape
    n_px = rows * cols / shrink**2
    n_wanted = max(1, int(settings.evidence_megapixels * 1e6 / MAX_WINDOW_PX**2))
    side_px = MAX_WINDOW_PX * shrink
    if n_px <= settings.evidence_megapixels * 1e6:
        corners = [(0, 0, rows, cols)]
    else:
        corners = _spread_corners(face.seen, side_px, n_wanted)
    return [_shrink_window(flat, corner, shrink) for corner in corners]


def _spread_corners(
    seen: np.ndarray, side_px: int, n_wanted: int
) -> list[tuple[int, int, int, int]]:
    """Return (top, left, bottom, right) of windows spread evenly over what is seen."""
    rows, cols = seen.shape
    tops = range(0, max(rows - side_px // 2, 1), side_px)
    lefts = range(0, max(cols - side_px // 2, 1), side_px)
    cells = [(t, le, min(t + side_px, rows), min(le + side_px, cols)) for t in tops for le in lefts]
    cells = [c for c in cells if seen[c[0] : c[2] : 16, c[1] : c[3] : 16].mean() > 0.3]
    if len(cells) <= n_wanted:
        return cells
    return [cells[int(i)] for i in np.linspace(0, len(cells) - 1, n_wanted).round()]


def _shrink_window(flat: FlatPhoto, corner: tuple[int, int, int, int], shrink: int) -> Window:
    top, left, bottom, right = corner
    size = (max((right - left) // shrink, 1), max((bottom - top) // shrink, 1))
    # Whole pixels are averaged several times as quickly as parts of them; what is over is left out.
    relief = flat.relief[top : top + size[1] * shrink, left : left + size[0] * shrink]
    if shrink > 1:
        relief = cv2.resize(relief, size, interpolation=cv2.INTER_AREA)
    return Window(relief, left * flat.mm_per_px, top * flat.mm_per_px, flat.mm_per_px * shrink)


def read_axis(windows: list[Window], limit: float) -> tuple[float, float]:
    """Return the light axis (degrees mod 180, clockwise from up) and its strength (0 to 1).

    Parameters
    ----------
    windows : list of Window
    limit : float
        Relief beyond +-limit is cut off, so that the grain speaks and not single pits.

    Errors of the answer
    --------------------
    About 1 degree on evenly rough faces. A brushed or board-marked face gives the direction
    across its grain instead, whatever the lamp; on a blank face it is chance.

    Source
    ------
    Structure tensor (Bigun and Granlund, 1987), from memory: the mean outer product of the gradient.
    """
    sum_xx = sum_yy = sum_xy = 0.0
    for window in windows:
        calm = cv2.GaussianBlur(np.clip(window.relief, -limit, limit), (0, 0), 1.0)
        slope_x = cv2.Sobel(calm, cv2.CV_32F, 1, 0)
        slope_y = cv2.Sobel(calm, cv2.CV_32F, 0, 1)
        sum_xx += cv2.norm(slope_x, cv2.NORM_L2SQR)
        sum_yy += cv2.norm(slope_y, cv2.NORM_L2SQR)
        sum_xy += cv2.sumElems(cv2.multiply(slope_x, slope_y))[0]
    total = sum_xx + sum_yy
    if total <= 0:
        return float("nan"), 0.0
    strength = float(np.hypot(sum_xx - sum_yy, 2 * sum_xy) / total)
    along = 0.5 * np.arctan2(2 * sum_xy, sum_xx - sum_yy)  # from +x toward +y (down)
    return float(np.degrees(along) + 90) % 180, strength


def collect_votes(windows: list[Window], noise_sd: float, settings: LightSettings) -> Votes:
    """Return the votes of all dark spots that have a bright neighbour.

    Errors of the answer
    --------------------
    One vote is worth little (a bump votes for the wrong side); twenty are worth a warning.

    Source
    ------
    Order of dark and bright along the light axis: measured facts of the project; the rest is our choice.
    """
    parts = [_vote_in_window(window, noise_sd, settings) for window in windows]
    return Votes(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def pick_clearest(votes: Votes) -> np.ndarray:
    """Return the index of the clearest quarter of the spots, 8 to 40 of them, clearest first."""
    return np.argsort(votes.weight)[::-1][: min(max(8, len(votes) // 4), 40)]


def read_extremes(flat: FlatPhoto, votes: Votes) -> tuple[float, float]:
    """Return the light in the shadows and on the brightest walls of the clearest spots.

    Both in units of the face around them, as medians over the clearest quarter of the spots (8 to
    40 of them), read at the photo's own pixels; NaN without spots.

    Errors of the answer
    --------------------
    Blur and coarse pixels bring both closer to 1. Gloss makes walls brighter.

    Source
    ------
    A matt wall that faces the lamp squarely is 1 / sin(angle) as bright as the face (Lambert's law):
    3.9 at 15 degrees, 2 at 30, 1.2 at 60. Light from two sides halves it.
    """
    if len(votes) == 0:
        return float("nan"), float("nan")
    darkest, brightest = [], []
    for index in pick_clearest(votes):
        col, row = votes.x_mm[index] / flat.mm_per_px, votes.y_mm[index] / flat.mm_per_px
        reach = votes.reach_mm[index] / flat.mm_per_px
        rows = slice(max(int(row - reach), 0), int(row + reach) + 2)
        cols = slice(max(int(col - reach), 0), int(col + reach) + 2)
        patch = cv2.GaussianBlur(flat.relief[rows, cols], (0, 0), 0.7)
        darkest.append(float(patch.min()))
        brightest.append(float(patch.max()))
    return 1 + float(np.median(darkest)), 1 + float(np.median(brightest))


def _vote_in_window(window: Window, noise_sd: float, settings: LightSettings) -> list[np.ndarray]:
    relief = cv2.GaussianBlur(window.relief, (0, 0), 0.7)
    contrast = max(settings.evidence_noise * noise_sd, settings.evidence_contrast)
    # A shadow keeps at most the light of the room: on rough faces no more than this can be asked.
    dark_limit, bright_limit = -min(contrast, 0.6), contrast / 2
    far, nearest = cv2.distanceTransformWithLabels(
        cv2.compare(relief, dark_limit, cv2.CMP_GE), cv2.DIST_L2, 3, labelType=cv2.DIST_LABEL_CCOMP
    )  # every place has the number, from 1, of the dark spot that is nearest
    row, col = _find_places(relief < dark_limit)
    if not len(row):
        return [np.empty(0)] * 6
    spot = nearest[row, col]
    n_spots = int(spot.max()) + 1
    area_px = np.bincount(spot, minlength=n_spots).astype(np.float64)
    dark_mass = np.bincount(spot, -relief[row, col], n_spots)
    with np.errstate(invalid="ignore", divide="ignore"):
        centre_x, centre_y = (np.bincount(spot, at, n_spots) / area_px for at in (col, row))
        spot, row, col, light = _bright_near_spots(relief, (far, nearest), area_px, bright_limit)
        mass = np.bincount(spot, light, n_spots)
        n_bright = np.bincount(spot, minlength=n_spots)
        to_x = np.bincount(spot, light * col, n_spots) / mass - centre_x
        to_y = np.bincount(spot, light * row, n_spots) / mass - centre_y
    largest_px = (25.0 / window.mm_per_px) ** 2
    keep = (area_px >= MIN_SPOT_PX) & (area_px < largest_px) & (n_bright >= 2)
    return [
        window.left_mm + (centre_x[keep] + 0.5) * window.mm_per_px,
        window.top_mm + (centre_y[keep] + 0.5) * window.mm_per_px,
        np.degrees(np.arctan2(-to_x[keep], to_y[keep])) % 360,
        np.sqrt(np.minimum(mass, dark_mass)[keep]),
        (np.sqrt(area_px[keep]) + 2) * window.mm_per_px,
        n_bright[keep] / (n_bright + area_px)[keep],
    ]


def _bright_near_spots(
    relief: np.ndarray,
    near: tuple[np.ndarray, np.ndarray],
    area_px: np.ndarray,
    bright_limit: float,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return spot number, row, column and relief of bright pixels close to a dark spot.

    `near` : how far the nearest spot is from every place, and its number.
    """
    row, col = _find_places(relief > bright_limit)
    spot, far = near[1][row, col], near[0][row, col]
    close = (far < 40) & (far <= 0.7 * np.sqrt(area_px[spot]) + 1.5)
    row, col = row[close], col[close]
    return spot[close], row, col, relief[row, col].astype(np.float64)


def _find_places(mask: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rows and columns of what is True: searched as one long row, ten times as quick as `nonzero` on two axes."""
    return np.divmod(np.flatnonzero(mask), mask.shape[1])
