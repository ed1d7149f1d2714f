"""Is this really a soft-light photo? Raking light shows relief as tone and must not judge colour.

Catalogue: `measure_side_light` (what the surface tells about the light) and `refuse_side_light`.
Three signs, all smaller in softer light:

- lopsidedness: a pit under side light is dark toward the lamp and bright away from it, so along
  the light the slopes of the picture are skew; under soft light a pit is the same from all sides.
- grain and its one-way share: low light draws relief strongly, and across the light hardly.
- falloff: how many times brighter the brightest part of the face is lit than the darkest.
"""

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from ..core.errors import ColourError
from ..core.records import FaceMap
from ..core.threads import share_out
from .balance import Blocks, Shoot, decode_light
from .falloff import LUMINANCE, Falloff, luminance

SIDE_LIGHT_BELOW_DEG = 35.0
"""A lamp said to stand lower than this is side light (our choice, above all raking set-ups)."""
FEATURE_MM = 0.5
"""Slopes are read at this scale: the rim of a small pit (our choice)."""
TILE_PX, N_TILES, PART_PX = 200, 16, 50
"""The face is sampled by this many tiles, at the scale above; their parts tell how sure the signs are."""

OBJECT_LOG, OBJECT_MM = 0.35, 20.0
"""Areas larger than this and this much lighter or darker (natural log) are things on the face."""

SURE_MOST = 8.0
WEIGHTS = (-1.76, 3.30, 3.85, 2.22)
GRAIN_USUAL = 0.03
"""Log odds of raking light: constant, log(1 + lopsidedness x its sureness), log(grain / .03), log(one way).

Fitted by logistic regression to 200 photos of made-up slabs of five makers, in soft light and in
raking light of 8 to 25 degrees from near and far; the sixth maker was held out.
"""
RAKING_ABOVE = 0.3
"""Photos above these log odds are refused. Soft light stayed below -.3 in all 96 photos of the fit."""
FALLOFF_MOST = 4.0

REFUSAL = (
    "This photo was taken in raking light, which shows relief as tone: take one in soft, even "
    "light (open shade, or big lamps from two sides) and give that for colour."
)
FALLOFF_REFUSAL = (
    "One part of the face is lit {falloff:.0f} times as bright as another, too uneven for colour: "
    "take a photo in soft, even light (open shade, or big lamps from two sides)."
)


@dataclass(frozen=True, slots=True)
class SideLight:
    """Signs of side light; `lopsided_sure` is the first over its own uncertainty. NaN = not seen."""

    lopsided: float
    lopsided_sure: float
    grain: float
    one_way: float

    @property
    def log_odds(self) -> float:
        """Log odds that the light came from one low side; NaN when the face shows too little."""
        if not math.isfinite(self.grain):
            return math.nan
        proof = self.lopsided * min(self.lopsided_sure, SURE_MOST)
        signs = (1.0, math.log1p(proof), math.log(max(self.grain, 1e-4) / GRAIN_USUAL), math.log(self.one_way))
        return sum(weight * sign for weight, sign in zip(WEIGHTS, signs, strict=True))

    @property
    def is_raking(self) -> bool:
        """Whether the signs say that the light came from one low side."""
        return self.log_odds > RAKING_ABOVE


def refuse_side_light(
    face: FaceMap, blocks: Blocks, falloff: Falloff, shoot: Shoot, *, threads: int = 2
) -> SideLight:
    """Return the signs of side light, or raise ColourError when the photo is a raking one.

    What the person said about the lamp counts first, then the photo itself: a lamp said to stand
    high is believed, and the signs come back for a note.

    Errors of the answer
    --------------------
    A raking photo of a face with very few pits and little grain is not recognised by its
    surface; then only the falloff or the person's word can tell.

    Source
    ------
    Our choice; never judge appearance in grazing light: precast and fair-faced guidance (read).
    """
    said_deg = shoot.lamp_said.angle_deg if shoot.lamp_said is not None else math.nan
    if said_deg < SIDE_LIGHT_BELOW_DEG:
        raise ColourError(REFUSAL)
    signs = measure_side_light(face, blocks, falloff, threads=threads)
    if signs.is_raking and not said_deg >= SIDE_LIGHT_BELOW_DEG:
        raise ColourError(REFUSAL)
    low, high = np.quantile(falloff.light[::4, ::4, 1], (0.01, 0.99))
    if high / low > FALLOFF_MOST:
        raise ColourError(FALLOFF_REFUSAL.format(falloff=high / low))
    return signs


def measure_side_light(
    face: FaceMap, blocks: Blocks, falloff: Falloff, *, threads: int = 2
) -> SideLight:
    """Return the signs of side light on a face, from up to 16 tiles spread over it.

    Errors of the answer: with fewer than about twenty pits in the tiles lopsidedness is unsure.
    Source: our choice.
    """
    tiles = _choose_tiles(face, _leave_out_objects(blocks, falloff))
    if not tiles:
        return SideLight(math.nan, math.nan, math.nan, math.nan)
    parts = share_out(lambda tile: _measure_tile(tile, face.mm_per_px), tiles, threads=threads)
    moments = np.concatenate([part[0] for part in parts], axis=1)
    grain = float(np.median([part[1] for part in parts]))
    lopsided, sure = _find_lopsidedness([part[0] for part in parts])
    xx, xy, yy = moments[7:].mean(axis=1)
    gap = math.hypot(xx - yy, 2 * xy)
    one_way = (xx + yy + gap) / max(xx + yy - gap, 1e-12)
    return SideLight(lopsided, sure, grain, float(one_way))


def _leave_out_objects(blocks: Blocks, falloff: Falloff) -> Blocks:
    """Return the blocks without what lies on the face: a card nobody spoke of has edges, not relief."""
    rest = np.log(luminance(blocks) / (falloff.light @ LUMINANCE))
    foreign = np.abs(rest - np.median(rest[blocks.bare])) > OBJECT_LOG if blocks.bare.any() else ~blocks.bare
    n_objects, labels, stats, _ = cv2.connectedComponentsWithStats(foreign.astype(np.uint8), connectivity=8)
    area_mm2 = stats[:, cv2.CC_STAT_AREA] * blocks.block_mm**2
    large = [k for k in range(1, n_objects) if area_mm2[k] > OBJECT_MM**2]
    near = cv2.dilate(np.isin(labels, large).astype(np.uint8), np.ones((3, 3), np.uint8))
    return replace(blocks, bare=blocks.bare & (near == 0))


def _choose_tiles(face: FaceMap, blocks: Blocks) -> list[np.ndarray]:
    rows, cols = face.seen.shape
    step = find_step(face.mm_per_px)
    side = min(TILE_PX * step, rows, cols)
    if side < 2 * PART_PX * step:
        return []
    n_down = min(max(round(math.sqrt(N_TILES * rows / cols)), 1), rows // side)
    n_right = min(max(N_TILES // n_down, 1), cols // side)
    tiles = []
    for row in np.linspace(0, rows - side, n_down).astype(int):
        for col in np.linspace(0, cols - side, n_right).astype(int):
            if _is_bare(blocks, np.array([row, row + side, col, col + side]) * face.mm_per_px):
                tiles.append(face.rgb[row : row + side, col : col + side])
    return tiles


def _is_bare(blocks: Blocks, edges_mm: np.ndarray) -> bool:
    """Return whether a tile holds face only: a card's edge would be taken for relief."""
    top, bottom, left, right = (edges_mm / blocks.block_mm).astype(int)
    return bool(blocks.bare[top : bottom + 1, left : right + 1].all())


def find_step(mm_per_px: float) -> int:
    """Return how many pixels are averaged to one before slopes are read."""
    return max(int(FEATURE_MM / mm_per_px + 0.01), 1)


def _measure_tile(tile: np.ndarray, mm_per_px: float) -> tuple[np.ndarray, float]:
    """Return moments of the slopes (10, parts) and the robust grain of one tile."""
    step = find_step(mm_per_px)
    green = decode_light(np.ascontiguousarray(tile[:, :, 1]))
    if step > 1:
        green = cv2.resize(green, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA)
    tone = cv2.log(np.maximum(green, np.float32(0.003)))
    sigma = max(FEATURE_MM / (mm_per_px * step), 0.8)
    smooth = cv2.GaussianBlur(tone, (0, 0), sigma)
    # The wide run is smooth: a quarter of the pixels each way tells it as well.
    quarter = cv2.resize(tone, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    rest = smooth - cv2.resize(cv2.GaussianBlur(quarter, (0, 0), 1.5 * sigma), tone.shape[::-1])
    # Every third pixel is plenty for a median, and a ninth of the sorting.
    grain = 1.4826 * float(np.median(np.abs(rest[::3, ::3] - np.median(rest[::3, ::3]))))
    right = smooth[1:-1, 2:] - smooth[1:-1, :-2]
    down = smooth[2:, 1:-1] - smooth[:-2, 1:-1]
    size = cv2.magnitude(right, down)
    usual = 1.4826 * max(float(np.median(size[::3, ::3])), 1e-6)
    plain = (size < 6 * usual).astype(np.float32)
    plain_layers = (right * right * plain, right * down * plain, down * down * plain)
    # The steepest rims are capped, so that one hole or a card's edge does not speak for the face.
    cap = np.minimum(np.float32(15 * usual) / np.maximum(size, np.float32(1e-9)), np.float32(1))
    right, down = right * cap, down * cap
    squares = (right * right, right * down, down * down)
    cubes = (squares[0] * right, squares[0] * down, squares[2] * right, squares[2] * down)
    layers = (*cubes, *squares, *plain_layers)
    n_side = max(min(green.shape) // PART_PX, 1)
    means = [cv2.resize(layer, (n_side, n_side), interpolation=cv2.INTER_AREA) for layer in layers]
    return np.array([mean.ravel() for mean in means]), grain


def _find_lopsidedness(tiles: list[np.ndarray]) -> tuple[float, float]:
    """Return the greatest skewness of the slopes over all directions, and that over its sd.

    The tile that speaks loudest is left out: one object on the face is not the lamp.
    """
    turn = np.deg2rad(np.arange(0, 180, 10))
    x, y = np.cos(turn), np.sin(turn)

    def skewness(mean: np.ndarray) -> np.ndarray:
        third = x**3 * mean[0] + 3 * x**2 * y * mean[1] + 3 * x * y**2 * mean[2] + y**3 * mean[3]
        second = x**2 * mean[4] + 2 * x * y * mean[5] + y**2 * mean[6]
        return third / np.maximum(second, 1e-12) ** 1.5

    moments = np.concatenate(tiles, axis=1)
    sums, n_parts = moments.sum(axis=1), moments.shape[1]
    best = int(np.argmax(np.abs(skewness(sums / n_parts))))
    sign = np.sign(skewness(sums / n_parts)[best])
    if len(tiles) < 4:
        return float(abs(skewness(sums / n_parts)[best])), 0.0
    alone = [sign * skewness((sums - tile.sum(axis=1)) / (n_parts - tile.shape[1]))[best] for tile in tiles]
    without = [skewness((sums - part) / (n_parts - 1))[best] for part in moments.T]
    sd = math.sqrt((n_parts - 1) * float(np.var(without)))
    return max(float(min(alone)), 0.0), max(float(min(alone)), 0.0) / max(sd, 1e-9)
