"""How sharp the photo is: blur, shake and noise from its strongest edges.

| figure | meaning | better |
|---|---|---|
| `sigma_px` | blur as the sigma of a Gaussian, over all directions | lower |
| `shake_px` | length of a straight smear that would explain the worst direction | lower |
| `noise_sd` | pixel noise, as light relative to the face | lower |

The rims of pits and the edges of their shadows are the sharpest things on a face under
raking light. Each strong edge is blurred once more by a known amount: the sharper it was, the
more of its steepness it loses.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from ..core.threads import share_out

TILE_PX = 256
MAX_TILES, FEWEST_TILES = 18, 9
STRONGEST_EDGES, STRONGEST_PER_DIRECTION = 300, 60
_FIRST_SIGMA, _SECOND_SIGMA = 1.0, 2.0  # the first calms noise, the second is the known blur
_STEP_VARIANCE = 1 / 3  # of the central difference that takes the slope
_EDGES_PER_TILE = 1000
_MARGIN_PX = 6
_BIN_STEP_DEG, _BIN_HALF_DEG, _BIN_MIN_EDGES = 15, 20, 10
# Pit rims are narrow and lit from one side, no ideal steps: straight line fitted on made-up photos
# with a blur of 0.5 to 4 px (variance true = offset + slope * variance of ideal steps).
_RIM_OFFSET_PX2, _RIM_SLOPE = 1.3, 1.85
# The strongest edges across a smear are those it spared most, so the smear itself is larger.
_SMEAR_GAIN = 1.8
# One direction of a sharp photo reads a little worse than the rest; at half size a little more so.
_FINE_SLACK, _COARSE_SLACK = 1.15, 1.3
_SPREAD_MIN_PX = 0.5
_MAD_TO_SD = 1.4826
_DIAGONAL = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32) / 6.0


@dataclass(frozen=True, slots=True)
class Sharpness:
    """Blur, smear and noise; NaN where the face holds nothing to read them from.

    sigma_px : blur of the strongest edges of all directions; best_sigma_px, worst_sigma_px : in the
    sharpest and the least sharp direction; shake_deg : the latter in the picture, clockwise from
    right; spread : blur read in the worst over blur read in the best direction, 1 is even;
    n_edges : edges it was read from.
    """

    sigma_px: float
    best_sigma_px: float
    worst_sigma_px: float
    shake_deg: float
    spread: float
    noise_sd: float
    n_edges: int

    @property
    def shake_px(self) -> float:
        """Length of a straight smear (variance L^2 / 12) that explains the worst direction."""
        return math.sqrt(12 * max(self.worst_sigma_px**2 - self.best_sigma_px**2, 0.0))

    @property
    def mean_sigma_px(self) -> float:
        """Blur over both axes of a pit: the root mean square of best and worst."""
        return math.sqrt((self.best_sigma_px**2 + self.worst_sigma_px**2) / 2)


@dataclass(frozen=True, slots=True)
class Reading:
    """Blur variances (px^2 of the photo) read at one size of the picture, and where it is worst."""

    overall: float
    best: float
    worst: float
    worst_deg: float

    @property
    def spread(self) -> float:
        """Blur in the worst over blur in the best direction."""
        return max(_sigma(self.worst), _SPREAD_MIN_PX) / max(_sigma(self.best), _SPREAD_MIN_PX)


@dataclass(frozen=True, slots=True)
class Edges:
    """Strong edges as equal long arrays: steepness, the same after the known blur, direction."""

    steepness: np.ndarray
    blurred: np.ndarray
    across_deg: np.ndarray

    def take(self, index: np.ndarray | slice) -> "Edges":
        """Return the edges at `index`."""
        return Edges(self.steepness[index], self.blurred[index], self.across_deg[index])

    def __len__(self) -> int:
        return len(self.steepness)


def measure_sharpness(
    relief: np.ndarray, seen: np.ndarray, *, shrink: int = 1, threads: int = 2
) -> Sharpness:
    """Return blur (sigma, px), smear (px) and noise (share of the face's light) of a photo.

    Parameters
    ----------
    relief : float32 (rows, cols)
        Light relative to its surroundings, as `FlatPhoto.relief`.
    seen : bool (rows, cols)
        Only what is seen is read.
    shrink : int
        Photo pixels per pixel here, each way: of a photo read at reduced size fewer tiles show as much.
    threads : int
        Tiles read at once.

    Returns
    -------
    Sharpness
        From at most 18 tiles of 256 px, so that a large photo costs no more than a small one.

    Errors of the answer
    --------------------
    On made-up photos with a blur of 0.5 to 4 px: see the table in benchmarks. The camera's own
    sharpening lowers the figure. On a face without pits the grain stands in for edges, and a
    grain coarser than about 8 px reads as blur.

    Source
    ------
    Ratio of an edge's slope before and after a known blur (idea: Zhuo and Sim, Defocus map
    estimation from a single image, 2011, from memory); selection and calibration are our choice.
    """
    tiles = list(pick_tiles(seen, max(MAX_TILES // shrink, FEWEST_TILES)))
    parts = share_out(lambda tile: _find_edges(relief[tile], seen[tile]), tiles, threads=threads)
    edges = _join_edges(parts)
    noise_sd = measure_noise([relief[tile] for tile in tiles])
    if len(edges) < _BIN_MIN_EDGES:
        return Sharpness(*[math.nan] * 5, noise_sd=noise_sd, n_edges=len(edges))
    # A long smear or heavy blur leaves noise as the sharpest thing: at half size it counts less.
    halves = share_out(
        lambda tile: _find_edges(*_halve(relief[tile], seen[tile])), tiles, threads=threads
    )
    fine, coarse = _read_blur(edges, 1), _read_blur(_join_edges(halves), 2)
    worst = _sigma(fine.best + _SMEAR_GAIN * (fine.worst - fine.best)) / _FINE_SLACK
    coarse_worst = _sigma(coarse.worst) / _COARSE_SLACK
    chosen = coarse if coarse_worst > worst else fine
    return Sharpness(
        sigma_px=_sigma(fine.overall),
        best_sigma_px=_sigma(fine.best),
        worst_sigma_px=max(worst, coarse_worst, _sigma(fine.overall), _sigma(fine.best)),
        shake_deg=chosen.worst_deg,
        spread=chosen.spread,
        noise_sd=noise_sd,
        n_edges=len(edges),
    )


def _halve(relief: np.ndarray, seen: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return a tile and its mask at half size."""
    size = (max(relief.shape[1] // 2, 1), max(relief.shape[0] // 2, 1))
    half = cv2.resize(relief, size, interpolation=cv2.INTER_AREA)
    return half, seen[::2, ::2][: size[1], : size[0]]


def _read_blur(edges: Edges, shrink: int) -> Reading:
    """Return what edges tell that were found in a picture `shrink` times smaller than the photo."""
    if len(edges) < _BIN_MIN_EDGES:
        return Reading(0.0, 0.0, 0.0, math.nan)
    overall = _blur_variance(edges.take(slice(STRONGEST_EDGES)))
    worst, best, worst_deg = _spread_by_direction(edges, overall, STRONGEST_PER_DIRECTION * shrink)
    scale = shrink**2
    return Reading(scale * overall, scale * max(best, 0.0), scale * max(worst, 0.0), worst_deg)


def pick_tiles(seen: np.ndarray, n_most: int = MAX_TILES) -> Iterator[tuple[slice, slice]]:
    """Yield at most so many tiles, evenly spread over what is seen, best seen first where there are few."""
    rows, cols = seen.shape
    tops = np.arange(0, max(rows - TILE_PX, 0) + 1, TILE_PX)
    lefts = np.arange(0, max(cols - TILE_PX, 0) + 1, TILE_PX)
    cells = [(slice(t, t + TILE_PX), slice(le, le + TILE_PX)) for t in tops for le in lefts]
    shares = np.array([seen[cell][::8, ::8].mean() for cell in cells])
    wanted = shares >= min(0.98, 0.7 * shares.max())
    cells = [cell for cell, keep in zip(cells, wanted, strict=True) if keep]
    if not shares.max() > 0:
        return
    for index in np.unique(np.linspace(0, len(cells) - 1, min(n_most, len(cells))).round()):
        yield cells[int(index)]


def measure_noise(tiles: list[np.ndarray]) -> float:
    """Return the pixel noise (standard deviation) of the calmest tiles; NaN without tiles.

    Errors of the answer: fine grain counts as noise, JPEG hides noise. Source: second difference
    both ways (idea: Immerkaer, Fast noise variance estimation, 1996, from memory).
    """
    levels = []
    for tile in tiles:
        difference = cv2.filter2D(tile, cv2.CV_32F, _DIAGONAL)[1:-1:2, 1:-1:2]
        levels.append(_MAD_TO_SD * _quantile(np.abs(difference), 0.5))
    return float(np.quantile(levels, 0.1)) if levels else math.nan


def measure_laplacian_variance(grey: np.ndarray) -> float:
    """Return the variance of the 4-neighbour Laplacian over all pixels (border left out of nothing).

    Errors of the answer: it depends on texture and exposure, so it only compares photos of one job.
    Source: one of the compared focus measures (surveys read); borders count as zero.
    """
    kernel = np.array([[0, 1, 0], [1, -4, 1], [0, 1, 0]], np.float64)
    answer = cv2.filter2D(
        grey.astype(np.float64), cv2.CV_64F, kernel, borderType=cv2.BORDER_CONSTANT
    )
    return float(answer.var())


def convert_to_mtf50(sigma_px: float) -> float:
    """Return where the contrast falls to half (cycles per px) for a Gaussian blur of sigma px.

    Errors of the answer: none for a Gaussian. Source: MTF = exp(-2 pi^2 sigma^2 f^2), own derivation.
    """
    return math.sqrt(math.log(2) / 2) / (math.pi * sigma_px) if sigma_px > 0 else math.inf


def _find_edges(relief: np.ndarray, seen: np.ndarray) -> Edges:
    """Return the strongest edges of one tile: crests of the slope, well inside what is seen."""
    calm = cv2.GaussianBlur(relief, (0, 0), _FIRST_SIGMA)
    soft = cv2.GaussianBlur(relief, (0, 0), _SECOND_SIGMA)
    slope_x, slope_y = cv2.Sobel(calm, -1, 1, 0, ksize=1), cv2.Sobel(calm, -1, 0, 1, ksize=1)
    steep = cv2.magnitude(slope_x, slope_y)
    inside = cv2.erode(seen.astype(np.uint8), np.ones((2 * _MARGIN_PX + 1,) * 2, np.uint8))
    inside[:_MARGIN_PX] = inside[-_MARGIN_PX:] = 0
    inside[:, :_MARGIN_PX] = inside[:, -_MARGIN_PX:] = 0
    steep *= inside
    limit = _quantile(steep[::3, ::3], 0.95)
    # Searched as one long row: ten times as quick as on two axes.
    row, col = np.divmod(np.flatnonzero(steep > limit), steep.shape[1])
    here = steep[row, col]
    unit_x, unit_y = slope_x[row, col] / here, slope_y[row, col] / here
    step_row, step_col = np.rint(unit_y).astype(int), np.rint(unit_x).astype(int)
    is_crest = (here >= steep[row - step_row, col - step_col]) & (
        here > steep[row + step_row, col + step_col]
    )
    order = np.flatnonzero(is_crest)
    order = order[np.argsort(here[order])[::-1][:_EDGES_PER_TILE]]
    row, col, unit_x, unit_y = row[order], col[order], unit_x[order], unit_y[order]
    soft_x = soft[row, col + 1] - soft[row, col - 1]
    soft_y = soft[row + 1, col] - soft[row - 1, col]
    across_deg = np.degrees(np.arctan2(unit_y, unit_x)) % 180
    return Edges(here[order], soft_x * unit_x + soft_y * unit_y, across_deg)


def _join_edges(parts: list[Edges]) -> Edges:
    """Return the edges of all tiles, steepest first."""
    if not parts:
        return Edges(np.empty(0), np.empty(0), np.empty(0))
    joined = Edges(*(np.concatenate([getattr(p, name) for p in parts]) for name in Edges.__slots__))
    return joined.take(np.argsort(joined.steepness)[::-1])


def _blur_variance(edges: Edges) -> float:
    """Return the blur's variance (px^2) that explains how much steepness these edges lost."""
    lost = float(np.sum(edges.steepness**2) / max(float(np.sum(edges.blurred**2)), 1e-12))
    lost = max(lost, 1.0001)
    ideal = (_SECOND_SIGMA**2 - lost * _FIRST_SIGMA**2) / (lost - 1) - _STEP_VARIANCE
    return _RIM_OFFSET_PX2 + _RIM_SLOPE * ideal


def _spread_by_direction(
    edges: Edges, variance: float, n_strongest: int
) -> tuple[float, float, float]:
    """Return the largest and smallest variance over directions, and where blur is worst (degrees).

    The steepest edges of each direction by itself are read: a smear leaves the edges along it
    sharp, and those alone would stand for all.
    """
    middles, found = [], []
    for middle in range(0, 180, _BIN_STEP_DEG):
        away = np.abs(edges.across_deg - middle)
        near = np.flatnonzero((away < _BIN_HALF_DEG) | (away > 180 - _BIN_HALF_DEG))[:n_strongest]
        if len(near) >= _BIN_MIN_EDGES:
            middles.append(math.radians(2 * middle))
            found.append(_blur_variance(edges.take(near)))
    if not found:
        return variance, variance, math.nan
    turn = math.atan2(np.dot(found, np.sin(middles)), np.dot(found, np.cos(middles)))
    return max(found), min(found), math.degrees(turn) / 2 % 180


def _quantile(values: np.ndarray, share: float) -> float:
    """As NumPy's, for numbers without a gap; on small arrays that takes twice as long."""
    values = values.ravel()
    place = share * (values.size - 1)
    low = int(place)
    ordered = np.partition(values, (low, min(low + 1, values.size - 1)))
    step = float(ordered[min(low + 1, values.size - 1)]) - float(ordered[low])
    return float(ordered[low]) + (place - low) * step


def _sigma(variance: float) -> float:
    return math.sqrt(max(variance, 0.0))
