"""What could be done in each unit, and what each choice costs and leaves open.

Costs are minutes of hand time, grams of paste and a penalty in minutes for what may go
wrong: a filled pit that reads as a spot, a coat that changes the tone. All of them come
from the shop's own times (`RepairSettings`); the defaults are assumptions.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..core.flags import flag_bit, parse_flags
from ..core.settings import RepairSettings
from ..grade.measured import PitArrays, read_pits
from .fields import Unit

LEAVE, FILL, TWO_LIFTS, COAT, REPAIR = range(5)
PIT_ACTIONS = ("leave", "fill", "fill_two_lifts", "slurry_coat", "repair_by_eye")
MM3_PER_CM3 = 1000.0
LEVELS_MM = (3.0, 4.0, 10.0)  # sizes from which a field may be filled, besides the bands' own


@dataclass(frozen=True, slots=True)
class PlanPits:
    """Pits as the planner needs them: sizes, volume to fill, and which are left by decision."""

    arrays: PitArrays
    pit_id: np.ndarray
    volume_mm3: np.ndarray
    is_kept_open: np.ndarray
    is_honeycomb: np.ndarray
    is_shallow: np.ndarray


@dataclass(frozen=True, slots=True)
class Option:
    """One choice for one unit.

    name : leave, fill or slurry_coat; from_mm : fills start at this diameter; actions : one of
    PIT_ACTIONS per pit of the unit (as a number); left : share of each pit's area expected to
    stay open after all passes; penalty_min : what may go wrong, in minutes.
    """

    name: str
    from_mm: float
    actions: np.ndarray
    left: np.ndarray
    minutes: float
    paste_g: float
    penalty_min: float

    def cost(self, settings: RepairSettings) -> float:
        """Return what the planner makes small: money when rates are set, else minutes."""
        if settings.money_per_hour <= 0:
            return self.minutes + self.penalty_min
        hours = (self.minutes + self.penalty_min) / 60
        return hours * settings.money_per_hour + self.paste_g / 1000 * settings.paste_money_per_kg


def read_plan_pits(pits: pd.DataFrame) -> PlanPits:
    """Return the pit table ready for planning; a volume that is not known is a half ball."""
    arrays = read_pits(pits)
    bits = np.array([parse_flags(str(names)) for names in pits["flags"]], int).reshape(-1)
    half_ball_mm3 = hemisphere_mm3(arrays.diameter_mm)
    volume_mm3 = pits["volume_mm3"].to_numpy(float)
    return PlanPits(
        arrays=arrays,
        pit_id=pits["pit_id"].to_numpy(int),
        volume_mm3=np.where(np.isfinite(volume_mm3), volume_mm3, half_ball_mm3),
        is_kept_open=(bits & flag_bit("character")) > 0,
        is_honeycomb=(bits & flag_bit("in_honeycomb")) > 0,
        is_shallow=(bits & flag_bit("depth_unknown")) > 0,
    )


def hemisphere_mm3(diameter_mm: np.ndarray | float) -> np.ndarray | float:
    """Return the volume of a half ball of this diameter, mm3: the stand-in for unknown depth.

    Errors of the answer: an upper-middle guess; flat dishes hold less, undercut pits more.
    Source: geometry; half balls below 10 mm by a national cement association, read.
    """
    return np.pi * np.asarray(diameter_mm) ** 3 / 12


def list_options(unit: Unit, pits: PlanPits, settings: RepairSettings) -> list[Option]:
    """Return every choice for a unit that is not plainly worse than another, cheapest first.

    Voids above the repair size are looked at by eye in every choice, and pits left as
    character stay open in every choice.
    """
    diameter_mm = pits.arrays.diameter_mm[unit.pits]
    bands = {settings.hand_fill_from_mm, settings.two_lifts_from_mm, *LEVELS_MM}
    levels = sorted({0.0, *bands} - {settings.repair_from_mm}, reverse=True)
    options = [_fill_option(unit, pits, settings, np.inf)]
    n_before = -1
    for level in levels:
        n_treated = int((diameter_mm >= level).sum())
        if n_treated not in (n_before, 0):
            options.append(_fill_option(unit, pits, settings, level))
            n_before = n_treated
    return _without_repeats(options)


def coat_option(unit: Unit, pits: PlanPits, settings: RepairSettings) -> Option:
    """Return the choice of a slurry coat over the unit; large pits are filled before it."""
    actions = _coat_actions(unit, pits, settings)
    area_m2 = unit.seen_mm2 / 1e6
    minutes, paste_g, penalty_min = _price_pits(unit, pits, actions, settings)
    return Option(
        "slurry_coat",
        settings.two_lifts_from_mm,
        actions,
        _open_after(actions, settings),
        minutes + area_m2 * settings.coat_min_per_m2,
        paste_g + film_g(area_m2, settings),
        penalty_min + area_m2 * settings.tone_penalty_min_per_m2,
    )


def fill_from(unit: Unit, pits: PlanPits, settings: RepairSettings, from_mm: float) -> Option:
    """Return the choice of filling every pit of a unit from one size on."""
    return _fill_option(unit, pits, settings, from_mm)


def film_g(area_m2: float, settings: RepairSettings) -> float:
    """Return the paste a slurry coat leaves as a film on an area, grams.

    Source: film thickness times paste density, as worked out in the trade notes
    (0.25 mm at 1.95 g/cm3 is 0.49 kg/m2); the thickness itself is an assumption.
    """
    return area_m2 * settings.film_mm * 1000 * settings.paste_g_per_cm3


def is_by_hand(actions: np.ndarray) -> np.ndarray:
    """Return which actions are fills done one by one."""
    return (actions == FILL) | (actions == TWO_LIFTS)


def crossing_holes_per_m2(settings: RepairSettings) -> float:
    """Return the holes per m2 above which coating takes less time than filling one by one.

    Source: the shop's two times; with the assumed 25 min/m2 and 0.5 min it is 50 per m2.
    """
    return settings.coat_min_per_m2 / settings.fill_min_per_pit


def count_actions(options: Sequence[Option]) -> dict[str, int]:
    """Return how many pits get each action over the chosen options."""
    counts = np.zeros(len(PIT_ACTIONS), int)
    for option in options:
        counts += np.bincount(option.actions, minlength=len(PIT_ACTIONS))
    return dict(zip(PIT_ACTIONS, counts.tolist(), strict=True))


def _fill_option(unit: Unit, pits: PlanPits, settings: RepairSettings, from_mm: float) -> Option:
    actions = _fill_actions(unit, pits, settings, from_mm)
    minutes, paste_g, penalty_min = _price_pits(unit, pits, actions, settings)
    is_fill = bool(is_by_hand(actions).any())
    return Option(
        "fill" if is_fill else "leave",
        from_mm,
        actions,
        _open_after(actions, settings),
        minutes,
        paste_g,
        penalty_min,
    )


def _fill_actions(
    unit: Unit, pits: PlanPits, settings: RepairSettings, from_mm: float
) -> np.ndarray:
    diameter_mm = pits.arrays.diameter_mm[unit.pits]
    actions = np.full(len(diameter_mm), LEAVE)
    actions[diameter_mm >= from_mm] = FILL
    actions[diameter_mm >= max(from_mm, settings.two_lifts_from_mm)] = TWO_LIFTS
    return _with_repairs(actions, unit, pits, settings)


def _coat_actions(unit: Unit, pits: PlanPits, settings: RepairSettings) -> np.ndarray:
    diameter_mm = pits.arrays.diameter_mm[unit.pits]
    actions = np.where(diameter_mm >= settings.two_lifts_from_mm, TWO_LIFTS, COAT)
    return _with_repairs(actions, unit, pits, settings)


def _with_repairs(
    actions: np.ndarray, unit: Unit, pits: PlanPits, settings: RepairSettings
) -> np.ndarray:
    diameter_mm = pits.arrays.diameter_mm[unit.pits]
    by_eye = (diameter_mm > settings.repair_from_mm) | pits.is_honeycomb[unit.pits]
    actions = np.where(by_eye, REPAIR, actions)
    return np.where(pits.is_kept_open[unit.pits], LEAVE, actions)


def _price_pits(
    unit: Unit, pits: PlanPits, actions: np.ndarray, settings: RepairSettings
) -> tuple[float, float, float]:
    """Minutes, grams and penalty for the pits done one by one; a coat's film is not in it."""
    per_pit_min = np.array(
        [0, settings.fill_min_per_pit, settings.two_lifts_min_per_pit, 0,
         settings.repair_min_per_void]
    )  # fmt: skip
    in_patch = pits.is_honeycomb[unit.pits] & (actions == REPAIR)
    minutes = float(per_pit_min[actions[~in_patch]].sum())
    if in_patch.any():  # a honeycomb patch is one repair, however many pits it shows
        minutes += settings.repair_min_per_void
    by_hand = is_by_hand(actions)
    if by_hand.any():
        minutes += settings.field_setup_min
    paste_mm3 = float(pits.volume_mm3[unit.pits][actions != LEAVE].sum())
    paste_g = paste_mm3 / MM3_PER_CM3 * settings.paste_g_per_cm3
    return minutes, paste_g, float(by_hand.sum()) * settings.spot_penalty_min_per_pit


def _open_after(actions: np.ndarray, settings: RepairSettings) -> np.ndarray:
    still_open = (1 - settings.closed_per_pass) ** settings.n_passes
    return np.where(actions == LEAVE, 1.0, np.where(actions == REPAIR, 0.0, still_open))


def _without_repeats(options: list[Option]) -> list[Option]:
    kept: dict[bytes, Option] = {}
    for option in options:
        kept.setdefault(option.actions.tobytes(), option)
    return list(kept.values())
