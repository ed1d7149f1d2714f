"""How far the figure behind a class may be off, by random draws with a fixed seed.

Four doubts go in. A listed pit is real with its confidence. Its size is off by its standard
uncertainty, in part together with all other pits of the photo. Pits near the smallest
countable size are overlooked at a stated rate. And where a scheme counts smaller pits than
the photo can show, the slope of the sizes seen is carried on below.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from ..core.settings import GradeSettings
from .measured import PitArrays, is_in_band

SEED = 20_250_917
CELLS_PER_BLOCK = 2_000_000
SLOPE_BEFORE_SEEING = 2.0  # number above a size falls with its square; our choice
WEIGHT_OF_SLOPE = 4.0  # that guess counts as much as four pits; our choice
RULE_OF_THREE = 3.0  # none seen still allows three, at 95 of 100


@dataclass(frozen=True, slots=True)
class Draw:
    """One block of draws: how often each pit is there, its size and its open area, (draws, pits)."""

    n_times: np.ndarray
    diameter_mm: np.ndarray
    open_mm2: np.ndarray
    unseen_factor: np.ndarray


def draw_pits(
    pits: PitArrays, *, smallest_countable_mm: float, settings: GradeSettings
) -> Iterator[Draw]:
    """Yield blocks of draws of what might really be there; every scheme is judged by the same ones.

    Errors of the answer: 400 draws place the ends of a 95 % range to about a tenth of its
    width. The shares of common error and of overlooked pits are our choice (settings).
    """
    key = (smallest_countable_mm, settings)
    if key in pits.drawn:
        yield pits.drawn[key]
        return
    rng = np.random.default_rng(SEED)
    missed = _missed_share(pits.diameter_mm, smallest_countable_mm, settings)
    block = max(1, CELLS_PER_BLOCK // max(pits.n, 1))
    common, own = math.sqrt(settings.common_error_share), math.sqrt(1 - settings.common_error_share)
    for start in range(0, settings.n_draws, block):
        size = (min(block, settings.n_draws - start), pits.n)
        is_real = rng.random(size) < pits.confidence
        n_times = is_real + rng.poisson(pits.confidence * missed / (1 - missed), size)
        error = common * rng.standard_normal((size[0], 1)) + own * rng.standard_normal(size)
        diameter_mm = pits.diameter_mm + pits.diameter_sd_mm * error
        diameter_mm = np.maximum(diameter_mm, 0.05 * pits.diameter_mm)
        open_mm2 = n_times * pits.area_mm2 * (diameter_mm / pits.diameter_mm) ** 2
        unseen_factor = rng.uniform(0.0, 2.0, (size[0], 1))
        draw = Draw(n_times.astype(float), diameter_mm, open_mm2, unseen_factor)
        if size[0] == settings.n_draws:  # few enough pits to keep the draws
            pits.drawn[key] = draw
        yield draw


def draw_area_shares(
    pits: PitArrays,
    inside: np.ndarray,
    seen_mm2: np.ndarray,
    *,
    counted_mm: tuple[float, float],
    smallest_countable_mm: float,
    settings: GradeSettings,
) -> np.ndarray:
    """Return drawn open shares of the worst of several windows (draws,).

    inside : (windows, pits) share of each pit inside; seen_mm2 : (windows,).
    """
    unseen = estimate_unseen_area(pits, counted_mm, smallest_countable_mm=smallest_countable_mm)
    shares = []
    for draw in draw_pits(pits, smallest_countable_mm=smallest_countable_mm, settings=settings):
        counted = is_in_band(draw.diameter_mm, counted_mm)
        open_mm2 = (counted * draw.open_mm2) @ inside.T
        open_mm2 = open_mm2 * (1 + unseen.share * draw.unseen_factor)
        open_mm2 = open_mm2 + unseen.floor_mm2 * draw.unseen_factor
        shares.append((open_mm2 / seen_mm2).max(axis=1))
    return np.concatenate(shares)


def draw_counts(
    pits: PitArrays,
    inside: np.ndarray,
    *,
    counted_mm: tuple[float, float],
    smallest_countable_mm: float,
    settings: GradeSettings,
) -> np.ndarray:
    """Return drawn pit counts of the fullest of several windows (draws,)."""
    counts = []
    for draw in draw_pits(pits, smallest_countable_mm=smallest_countable_mm, settings=settings):
        counted = is_in_band(draw.diameter_mm, counted_mm)
        counts.append(((draw.n_times * counted) @ inside.T).max(axis=1))
    return np.concatenate(counts)


def draw_largest(
    pits: PitArrays,
    value: Callable[[np.ndarray], np.ndarray],
    *,
    smallest_countable_mm: float,
    settings: GradeSettings,
) -> np.ndarray:
    """Return drawn largest values (draws,); `value` turns size ratios (draws, pits) into figures."""
    largest = []
    for draw in draw_pits(pits, smallest_countable_mm=smallest_countable_mm, settings=settings):
        figures = value(draw.diameter_mm / pits.diameter_mm) * (draw.n_times > 0)
        largest.append(figures.max(axis=1, initial=0.0))
    return np.concatenate(largest)


def find_range(value: float, drawn: np.ndarray, settings: GradeSettings) -> tuple[float, float]:
    """Return the low and high end of the figure, never narrower than the figure itself.

    A worst window picked from noisy ones is too bad on average, so the spread below the
    middle draw is also laid below the figure.
    """
    tail = (1 - settings.range_share) / 2
    low, middle, high = np.quantile(drawn, [tail, 0.5, 1 - tail])
    low = min(low, value, value - (high - middle))
    return max(0.0, float(low)), float(max(high, value))


@dataclass(frozen=True, slots=True)
class UnseenArea:
    """Counted pits too small for the photo: share of the area seen, least area per window."""

    share: float
    floor_mm2: float


def estimate_unseen_area(
    pits: PitArrays, counted_mm: tuple[float, float], *, smallest_countable_mm: float
) -> UnseenArea:
    """Return the open area a scheme counts but the photo cannot show, as a share of that seen.

    The number of pits above a size is taken to fall with a power of the size, fitted to the
    pits seen (Hill's estimate, drawn toward a square law when few are seen).

    Errors of the answer: a guess by nature; the draws spread it from none to twice.
    Source: power-law tail by maximum likelihood, textbook; the rest our choice.
    """
    low_mm, high_mm = counted_mm
    if not smallest_countable_mm > low_mm:
        return UnseenArea(0.0, 0.0)
    top_mm = min(smallest_countable_mm, high_mm)
    shown = pits.diameter_mm[is_in_band(pits.diameter_mm, (top_mm, high_mm))]
    logs = float(np.log(np.maximum(shown, top_mm) / top_mm).sum())
    slope = (len(shown) + WEIGHT_OF_SLOPE) / (logs + WEIGHT_OF_SLOPE / SLOPE_BEFORE_SEEING)
    below_mm2 = _power_area(low_mm, top_mm, slope, top_mm)
    above_mm2 = _power_area(top_mm, high_mm, slope, top_mm) if high_mm > top_mm else 0.0
    if not len(shown) or above_mm2 <= 0:
        return UnseenArea(0.0, RULE_OF_THREE * below_mm2)
    large_mm2 = float(np.square(shown).sum())
    is_small = is_in_band(pits.diameter_mm, counted_mm) & (pits.diameter_mm < top_mm)
    found_mm2 = large_mm2 + float(np.square(pits.diameter_mm[is_small]).sum())
    expected_mm2 = large_mm2 * (1 + below_mm2 / above_mm2)
    return UnseenArea(max(0.0, expected_mm2 / found_mm2 - 1), 0.0)


def _power_area(low_mm: float, high_mm: float, slope: float, unit_mm: float) -> float:
    """Area between two sizes when one pit is at least `unit_mm`: integral of pi/4 d^2 dN."""
    if abs(slope - 2.0) < 1e-6:
        return math.pi / 4 * slope * unit_mm**slope * math.log(high_mm / low_mm)
    power = 2.0 - slope
    return math.pi / 4 * slope * unit_mm**slope * (high_mm**power - low_mm**power) / power


def _missed_share(
    diameter_mm: np.ndarray, smallest_countable_mm: float, settings: GradeSettings
) -> np.ndarray:
    """Share overlooked: as set at the smallest countable size, falling with the square above."""
    if not smallest_countable_mm > 0:
        return np.zeros(len(diameter_mm))
    ratio = np.maximum(diameter_mm / smallest_countable_mm, 1.0)
    return settings.missed_at_smallest / ratio**2
