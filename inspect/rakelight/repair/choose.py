"""Which option in which unit: close everything fillable, or meet a limit at least cost."""

import numpy as np

from .options import FILL, TWO_LIFTS
from .problem import COATED, Problem


def close_fillable(problem: Problem) -> np.ndarray:
    """Return the cheaper way, zone by zone, to close every pit large enough to fill by hand.

    Used when nothing was agreed. Returns one option number per unit, or COATED.
    """
    choice = fill_everything(problem, from_mm=problem.settings.hand_fill_from_mm)
    settings = problem.settings
    for zone in range(len(problem.zones)):
        units = np.flatnonzero(problem.zone_of == zone)
        by_hand = sum(problem.options[i][choice[i]].cost(settings) for i in units)
        coated = sum(problem.coats[i].cost(settings) for i in units) + problem.coat_setup_cost
        is_cheaper = bool(problem.may_coat[zone]) and coated < by_hand
        if problem.must_coat[zone] or is_cheaper:
            choice[units] = COATED
    return choice


def fill_everything(problem: Problem, *, from_mm: float) -> np.ndarray:
    """Return the choice of filling every pit from a size on, by hand, in every unit."""
    diameter_mm = problem.pits.arrays.diameter_mm
    choice = np.zeros(len(problem.units), int)
    for i, options in enumerate(problem.options):
        wanted = diameter_mm[problem.units[i].pits] >= from_mm
        wanted &= ~problem.pits.is_kept_open[problem.units[i].pits]
        for at, option in enumerate(options):
            choice[i] = at
            by_hand = np.isin(option.actions, (FILL, TWO_LIFTS))
            if np.all(by_hand | (option.left < 1) | ~wanted):
                break
    return choice


def coat_everything(problem: Problem) -> np.ndarray:
    """Return the choice of coating every zone that may be coated; the rest is filled by hand."""
    choice = fill_everything(problem, from_mm=0.0)
    may_coat = problem.may_coat[problem.zone_of]
    return np.where(may_coat, COATED, choice)
