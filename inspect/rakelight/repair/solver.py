"""The exact search: one whole-number programme over units, options and coated zones."""

import itertools

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_matrix, csr_matrix, hstack

from .problem import COATED, Problem


def solve_exactly(
    problem: Problem,
    costs: np.ndarray,
    first: np.ndarray,
    amounts: np.ndarray,
    aims: np.ndarray,
    *,
    seconds: float,
) -> tuple[np.ndarray | None, float]:
    """Return the least-cost choice that keeps the given windows, and a lower bound of the cost.

    Parameters
    ----------
    costs : per column (options of all units, then one coat per unit)
    first : first column per unit
    amounts : (windows, columns) what each column leaves in each window
    aims : (windows,) what may be left

    Returns
    -------
    choice or None, bound
        None when the solver found nothing in time; a time-out with a usable answer counts.

    Source: HiGHS by scipy.optimize.milp.
    """
    n_options, n_zones = int(first[-1]), len(problem.zones)
    to_zone = _zone_matrix(problem, n_zones)
    cost = np.concatenate(
        [costs[:n_options], costs[n_options:] @ to_zone + problem.coat_setup_cost]
    )
    limits = [_one_each(problem, first, n_zones)]
    if len(aims):
        per_zone = csr_matrix(amounts[:, n_options:] @ to_zone)
        windows = hstack([csr_matrix(amounts[:, :n_options]), per_zone])
        limits.append(LinearConstraint(windows.tocsr(), -np.inf, aims))
    low = np.concatenate([np.zeros(n_options), problem.must_coat.astype(float)])
    high = np.concatenate([np.ones(n_options), problem.may_coat.astype(float)])
    answer = milp(
        cost,
        integrality=np.ones(len(cost)),
        bounds=Bounds(low, np.maximum(high, low)),
        constraints=limits,
        options={"time_limit": seconds, "mip_rel_gap": problem.settings.solver_gap},
    )
    bound = getattr(answer, "mip_dual_bound", None)
    bound = float(bound) if bound is not None and np.isfinite(bound) else 0.0
    if answer.x is None:
        return None, bound
    return _read_choice(problem, first, answer.x), bound


def _zone_matrix(problem: Problem, n_zones: int) -> np.ndarray:
    to_zone = np.zeros((len(problem.units), n_zones))
    to_zone[np.arange(len(problem.units)), problem.zone_of] = 1.0
    return to_zone


def _one_each(problem: Problem, first: np.ndarray, n_zones: int) -> LinearConstraint:
    """Every unit takes exactly one option, or its zone is coated."""
    n_units, n_options = len(problem.units), int(first[-1])
    unit = np.repeat(np.arange(n_units), np.diff(first))
    rows = np.concatenate([unit, np.arange(n_units)])
    cols = np.concatenate([np.arange(n_options), n_options + problem.zone_of])
    ones = coo_matrix((np.ones(len(rows)), (rows, cols)), shape=(n_units, n_options + n_zones))
    return LinearConstraint(ones.tocsr(), 1.0, 1.0)


def _read_choice(problem: Problem, first: np.ndarray, x: np.ndarray) -> np.ndarray:
    is_coated = np.round(x[int(first[-1]) :]).astype(bool)[problem.zone_of]
    best = [int(np.argmax(x[low:high])) for low, high in itertools.pairwise(first)]
    return np.where(is_coated, COATED, np.array(best, int))
