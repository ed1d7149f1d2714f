"""Why each field gets its action, in one sentence of the trade."""

import functools
import tomllib
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import numpy as np

from .options import COAT, LEAVE, REPAIR, TWO_LIFTS, Option, crossing_holes_per_m2, is_by_hand
from .problem import Problem

MM2_PER_M2 = 1e6


@functools.lru_cache(maxsize=1)
def read_sentences() -> dict[str, Any]:
    """Return the sentences of `data/repair_wording.toml`."""
    text = (files("rakelight.data") / "repair_wording.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@dataclass(frozen=True, slots=True)
class ZoneTotals:
    """Pits and seen area per zone, added up once for all reasons."""

    n_pits: np.ndarray
    seen_mm2: np.ndarray

    @classmethod
    def of(cls, problem: Problem) -> "ZoneTotals":
        """Return the totals of a problem's zones."""
        n_pits = [len(unit.pits) for unit in problem.units]
        seen_mm2 = [unit.seen_mm2 for unit in problem.units]
        n_zones = len(problem.zones)
        return cls(
            np.bincount(problem.zone_of, weights=n_pits, minlength=n_zones),
            np.bincount(problem.zone_of, weights=seen_mm2, minlength=n_zones),
        )


def explain_unit(
    problem: Problem, index: int, option: Option, zones: ZoneTotals, *, is_agreed: bool
) -> str:
    """Return the reason for one unit's action, with what the person fixed named first."""
    words = read_sentences()["reason"]
    facts = _gather_facts(problem, index, option, zones)
    reason = words[_pick_reason(problem, index, option, facts, is_agreed=is_agreed)].format(**facts)
    if option.name == "slurry_coat" and facts["n_large"]:
        reason += words["coat_large"].format(**facts)
    if facts["n_voids"] and facts["n"]:
        reason += words["repair_more"].format(**facts)
    if facts["n_kept"]:
        reason += words["kept"].format(**facts)
    return f"{words['locked']} {reason}" if problem.locks[index] else reason


def _pick_reason(
    problem: Problem, index: int, option: Option, facts: dict[str, Any], *, is_agreed: bool
) -> str:
    if problem.units[index].seen_mm2 <= 0 and not facts["n_all"]:
        return "unseen"
    if problem.locks[index] == "hone_test_strip":
        return "hone"
    if option.name == "slurry_coat":
        return "coat_agreed" if is_agreed or problem.locks[index] else "coat"
    if facts["n_voids"]:
        return "repair"
    if not facts["n_all"]:
        return "clean"
    if facts["n"]:
        if is_agreed:
            return "fill_agreed"
        return "fill_two_lifts" if facts["n_large"] else "fill"
    if is_agreed:
        return "leave_within"
    settings = problem.settings
    crowded = facts["n_all"] / max(problem.units[index].seen_mm2, 1.0) * MM2_PER_M2
    is_crowded = crowded > crossing_holes_per_m2(settings) and facts["n_all"] > 1
    return "leave_crossing" if is_crowded else "small_only"


def _gather_facts(
    problem: Problem, index: int, option: Option, zones: ZoneTotals
) -> dict[str, Any]:
    unit, pits, settings = problem.units[index], problem.pits, problem.settings
    zone = problem.zone_of[index]
    n_zone, zone_m2 = zones.n_pits[zone], max(zones.seen_mm2[zone], 1.0) / MM2_PER_M2
    is_coat = option.name == "slurry_coat"
    per_m2 = n_zone / zone_m2 if is_coat else len(unit.pits) / max(unit.seen_mm2, 1) * MM2_PER_M2
    by_hand = is_by_hand(option.actions)
    from_mm = option.from_mm if np.isfinite(option.from_mm) else settings.hand_fill_from_mm
    if not from_mm and len(unit.pits):
        from_mm = float(pits.arrays.diameter_mm[unit.pits].min())
    shallow = pits.is_shallow[unit.pits].mean() if len(unit.pits) else 0.0
    return {
        "n_all": len(unit.pits),
        "n": int(by_hand.sum()),
        "all_pits": _count(len(unit.pits), "pit"),
        "pits": _count(int(by_hand.sum()), "pit"),
        "large_pits": _count(int((option.actions == TWO_LIFTS).sum()), "pit"),
        "voids": _count(int((option.actions == REPAIR).sum()), "place"),
        "kept_pits": _count(int((pits.is_kept_open[unit.pits]).sum()), "pit"),
        "n_large": int((option.actions == TWO_LIFTS).sum()),
        "n_voids": int((option.actions == REPAIR).sum()),
        "n_coated": int((option.actions == COAT).sum()),
        "n_kept": int((pits.is_kept_open[unit.pits] & (option.actions == LEAVE)).sum()),
        "from_mm": f"{from_mm:.2g}",
        "large_mm": f"{settings.two_lifts_from_mm:g}",
        "repair_mm": f"{settings.repair_from_mm:g}",
        "per_m2": f"{per_m2:.0f}",
        "crossing": f"{crossing_holes_per_m2(settings):.0f}",
        "share": f"{shallow:.0%}",
    }


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"
