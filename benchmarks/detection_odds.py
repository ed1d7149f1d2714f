"""From which size on is a pit found? Hits and misses against diameter, as a logistic curve.

The chance of a hit is 1 / (1 + exp(-(b0 + b1 log d))). `a50` and `a90` are the diameters found in half and in
nine of ten cases; `a90_95` is the diameter of which one may be 95 % sure that nine in ten are found.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, minimize_scalar

LOG_ODDS_90 = math.log(9)
LIKELIHOOD_DROP = 2.7055  # chi2 with 1 degree of freedom: one-sided 95 %
FEWEST = 20  # hits and misses together that a curve needs


@dataclass(frozen=True, slots=True)
class DetectionOdds:
    """The fitted curve; sizes in the unit that went in, NaN when hits and misses do not overlap in size."""

    b0: float
    b1: float
    a50: float
    a90: float
    a90_95: float


UNKNOWN = DetectionOdds(*[math.nan] * 5)


def fit_odds(size: np.ndarray, hit: np.ndarray, *, log_size: bool = True) -> DetectionOdds:
    """Return the logistic curve of hits against size (or against log size).

    Errors of the answer: none to speak of with some tens of misses; without misses or with
    a curve that falls with size everything is NaN. The bound `a90_95` is by likelihood ratio.

    Source: maximum likelihood with a logit link, Newton steps; likelihood-ratio bound (common practice).
    """
    x = np.log(np.asarray(size, float)) if log_size else np.asarray(size, float)
    y = np.asarray(hit, float)
    if len(y) < FEWEST or y.all() or not y.any():
        return UNKNOWN
    centre = x.mean()
    offset, slope = _climb(x - centre, y)
    if not (np.isfinite(slope) and 1e-3 < slope < 1e3):
        return UNKNOWN
    b0 = float(offset - slope * centre)
    a50, a90 = -b0 / slope, (LOG_ODDS_90 - b0) / slope
    bound = _bound_90(x, y, (b0, slope), a90)
    unlog = math.exp if log_size else float
    return DetectionOdds(b0, slope, *(unlog(a) if np.isfinite(a) and a < 50 else math.nan for a in (a50, a90, bound)))


def bound_share(n: int, hits: int, *, trust: float = 0.95) -> float:
    """Return the share of hits that is surely reached (one-sided, exact binomial).

    Errors of the answer: none. Source: Clopper, Pearson 1934 (from memory).
    """
    from scipy.stats import beta

    return float(beta.ppf(1 - trust, hits, n - hits + 1)) if hits else 0.0


def _climb(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    terms, beta = np.column_stack([np.ones_like(x), x]), np.zeros(2)
    for _ in range(100):
        chance = _logistic(terms @ beta)
        weight = np.maximum(chance * (1 - chance), 1e-10)
        step = np.linalg.solve(terms.T @ (terms * weight[:, None]) + 1e-12 * np.eye(2), terms.T @ (y - chance))
        beta = beta + np.clip(step, -2, 2)
        if np.abs(step).max() < 1e-10:
            break
    return float(beta[0]), float(beta[1])


def _bound_90(x: np.ndarray, y: np.ndarray, fitted: tuple[float, float], a90: float) -> float:
    """The largest size at which a chance of .9 still agrees with the hits and misses."""
    best = _log_likelihood(x, y, *fitted)

    def excess(size: float) -> float:
        held = minimize_scalar(
            lambda log_slope: -_log_likelihood(x, y, LOG_ODDS_90 - math.exp(log_slope) * size, math.exp(log_slope)),
            bounds=(math.log(fitted[1]) - 4, math.log(fitted[1]) + 4), method="bounded", options={"xatol": 1e-9},
        )  # fmt: skip
        return 2 * (best + held.fun) - LIKELIHOOD_DROP

    far = a90
    for step in np.geomspace(0.01, 20, 40) / fitted[1]:
        if excess(a90 + step) > 0:
            return brentq(excess, far, a90 + step, xtol=1e-9)
        far = a90 + step
    return math.nan


def _log_likelihood(x: np.ndarray, y: np.ndarray, b0: float, b1: float) -> float:
    odds = b0 + b1 * x
    return float(np.sum(y * odds - np.logaddexp(0, odds)))


def _logistic(x: np.ndarray) -> np.ndarray:
    return 1 / (1 + np.exp(-np.clip(x, -40, 40)))
