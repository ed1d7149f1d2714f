"""The planning problem: units, the choices open in each, and what the person has fixed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..core.errors import SettingsError
from ..core.records import ACTIONS
from ..core.settings import RepairSettings
from ..grade.windows import SeenMap
from .fields import FieldGrid, Unit, divide_face, list_units
from .options import (
    FILL,
    LEAVE,
    REPAIR,
    TWO_LIFTS,
    Option,
    PlanPits,
    coat_option,
    fill_from,
    list_options,
)

NO_COAT = "no_coat"
EVERYWHERE = "all"
ZONE_KEY = "zone "
COATED = -1  # in a choice: the unit's zone is coated


@dataclass(frozen=True, slots=True)
class Problem:
    """Units with their options; a coat is chosen per zone, everything else per unit.

    zone_of : number of the zone per unit; may_coat, must_coat : per zone; locks : per unit
    the action the person fixed, or "".
    """

    grid: FieldGrid
    units: tuple[Unit, ...]
    options: tuple[tuple[Option, ...], ...]
    coats: tuple[Option, ...]
    zones: tuple[str, ...]
    zone_of: np.ndarray
    may_coat: np.ndarray
    must_coat: np.ndarray
    locks: tuple[str, ...]
    pits: PlanPits
    settings: RepairSettings

    def pick(self, choice: np.ndarray) -> list[Option]:
        """Return the chosen option of every unit (COATED means the coat)."""
        return [
            self.coats[i] if at == COATED else self.options[i][at] for i, at in enumerate(choice)
        ]

    def cost(self, choice: np.ndarray) -> float:
        """Return the cost of a choice, with the set-up of every coated zone."""
        picked = sum(option.cost(self.settings) for option in self.pick(choice))
        return picked + len(self.coated_zones(choice)) * self.coat_setup_cost

    def coated_zones(self, choice: np.ndarray) -> list[int]:
        """Return the numbers of the zones a choice coats."""
        return sorted({int(zone) for zone in self.zone_of[np.asarray(choice) == COATED]})

    @property
    def coat_setup_cost(self) -> float:
        """Cost of setting up one coated zone, in the unit of `Option.cost`."""
        minutes = self.settings.coat_setup_min
        if self.settings.money_per_hour <= 0:
            return minutes
        return minutes / 60 * self.settings.money_per_hour

    def left_open(self, choice: np.ndarray) -> np.ndarray:
        """Return the share of each pit's area expected to stay open (pits,)."""
        left = np.ones(len(self.pits.pit_id))
        for unit, option in zip(self.units, self.pick(choice), strict=True):
            left[unit.pits] = option.left
        return left


def build_problem(
    pits: PlanPits,
    seen: SeenMap,
    *,
    zones: Sequence[dict[str, Any]] = (),
    settings: RepairSettings,
    locked: Mapping[str, str] | None = None,
) -> Problem:
    """Return the planning problem of one face.

    Parameters
    ----------
    locked : mapping, optional
        What the person fixed: a field's name with one of ACTIONS or "no_coat"; "zone NAME" or
        "all" with "no_coat" or "slurry_coat".
    """
    grid = divide_face(seen.size_mm, settings.field_mm)
    arrays = pits.arrays
    units = list_units(grid, seen, arrays.x_mm, arrays.y_mm, zones=zones)
    zone_names = tuple(sorted({unit.zone for unit in units}))
    zone_of = np.array([zone_names.index(unit.zone) for unit in units])
    locks = _unit_locks(units, locked or {})
    may_coat, must_coat = _zone_locks(units, zone_names, locks, locked or {})
    options = [
        _open_options(unit, pits, settings, lock) for unit, lock in zip(units, locks, strict=True)
    ]
    return Problem(
        grid=grid,
        units=tuple(units),
        options=tuple(tuple(one) for one in options),
        coats=tuple(coat_option(unit, pits, settings) for unit in units),
        zones=zone_names,
        zone_of=zone_of,
        may_coat=may_coat,
        must_coat=must_coat,
        locks=tuple(locks),
        pits=pits,
        settings=settings,
    )


def name_action(option: Option, lock: str = "") -> str:
    """Return the action a field is listed under: the most demanding one in it."""
    if lock == "hone_test_strip":
        return lock
    if option.name == "slurry_coat":
        return "slurry_coat"
    for action, name in ((REPAIR, "repair_by_eye"), (TWO_LIFTS, "fill_two_lifts"), (FILL, "fill")):
        if (option.actions == action).any():
            return name
    return "leave"


def _unit_locks(units: Sequence[Unit], locked: Mapping[str, str]) -> list[str]:
    names = {unit.name for unit in units}
    for key, action in locked.items():
        is_area = key == EVERYWHERE or key.startswith(ZONE_KEY)
        allowed = (NO_COAT, "slurry_coat") if is_area else (*ACTIONS, NO_COAT)
        if action not in allowed:
            raise SettingsError(f"{key} can be fixed to {', '.join(allowed)}, not {action!r}.")
        if not is_area and key not in names:
            raise SettingsError(f"There is no field {key!r} on this face: fields run from A1.")
    return [str(locked.get(unit.name, "")) for unit in units]


def _zone_locks(
    units: Sequence[Unit], zones: Sequence[str], locks: Sequence[str], locked: Mapping[str, str]
) -> tuple[np.ndarray, np.ndarray]:
    """A coat never ends mid-face, so one field fixed to anything else keeps a zone uncoated."""
    for key in locked:
        if key.startswith(ZONE_KEY) and key.removeprefix(ZONE_KEY) not in zones:
            raise SettingsError(f"There is no zone {key.removeprefix(ZONE_KEY)!r} on this face.")
    wanted = [locked.get(f"{ZONE_KEY}{zone}", locked.get(EVERYWHERE, "")) for zone in zones]
    may_coat = np.array([word != NO_COAT for word in wanted])
    must_coat = np.array([word == "slurry_coat" for word in wanted])
    for unit, lock in zip(units, locks, strict=True):
        zone = zones.index(unit.zone)
        must_coat[zone] |= lock == "slurry_coat"
        may_coat[zone] &= lock in ("", "slurry_coat")
    clash = [zone for zone, must, may in zip(zones, must_coat, may_coat, strict=True) if must > may]
    if clash:
        raise SettingsError(
            f"Zone {clash[0]!r} is fixed both to a slurry coat and to something else: a coat must "
            "cover a zone up to its edges."
        )
    return may_coat, must_coat


def _open_options(unit: Unit, pits: PlanPits, settings: RepairSettings, lock: str) -> list[Option]:
    if lock == "leave":
        return [_untouched(unit)]
    if lock == "repair_by_eye":
        return [fill_from(unit, pits, settings, np.inf)]
    if lock == "hone_test_strip":
        kept = _untouched(unit)
        return [Option("leave", np.inf, kept.actions, kept.left, settings.test_strip_min, 0.0, 0.0)]
    options = list_options(unit, pits, settings)
    if lock in ("fill", "fill_two_lifts"):
        fills = [option for option in options if option.name == "fill"]
        return fills or options
    return options


def _untouched(unit: Unit) -> Option:
    n = len(unit.pits)
    return Option("leave", np.inf, np.full(n, LEAVE), np.ones(n), 0.0, 0.0, 0.0)
