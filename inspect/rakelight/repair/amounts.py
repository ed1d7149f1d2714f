"""How much paste to mix, in which batches, and how long a filler class makes you wait.

The holes are the small part: a film left by a coat and what stays in the pots decide.
"""

import functools
import math
import tomllib
from collections.abc import Sequence
from importlib.resources import files
from typing import Any

import msgspec
import numpy as np

from ..core.settings import RepairSettings
from .options import (
    COAT,
    FILL,
    LEAVE,
    MM3_PER_CM3,
    REPAIR,
    TWO_LIFTS,
    Option,
    PlanPits,
    film_g,
    hemisphere_mm3,
)

SCALE_STEP_G = 5.0  # batches are rounded up to what a shop scale shows; our choice
_BESIDES = ("test patch", "refill")  # what is mixed beside the work on the face itself


class Filler(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One class of filler (never a brand): waits in minutes, lifts in mm, parts by weight.

    `liquid_share` is the liquid over the powder a test patch starts from, NaN when only the
    product's sheet says; `has_feel` tells that stiffness in words of the kitchen fits it.
    """

    title: str
    set_min: tuple[float, float]
    set_mark: str
    working_min: float
    working_mark: str
    lift_mm: float
    lift_mark: str
    mix: str
    mix_mark: str
    wetting: str
    watch: str
    source: str
    liquid_share: float = math.nan
    has_feel: bool = False


class _SettingTimes(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    celsius: tuple[float, ...]
    hours: tuple[float, ...]
    reference_celsius: float
    source: str


class FillerBook(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """All filler classes, the setting times they are scaled by, stiffness and the cautions."""

    filler: dict[str, Filler]
    setting: _SettingTimes
    caution: dict[str, str]
    feel: dict[str, str]


@functools.lru_cache(maxsize=1)
def read_fillers() -> FillerBook:
    """Return the filler classes of `data/fillers.toml`."""
    text = (files("rakelight.data") / "fillers.toml").read_text(encoding="utf-8")
    return msgspec.convert(tomllib.loads(text), FillerBook)


def scale_wait(minutes: float, air_celsius: float) -> float:
    """Return a wait scaled from 21 C to the air temperature, minutes.

    Errors of the answer: the table is for plain concrete; take it for a direction, not a
    promise. Outside -1 to 38 C the nearest end is used.
    Source: setting-time table of a university course page (21 C 6 h, 10 C 11 h, 32 C 2.7 h),
    read; between the entries the logarithm of time is taken as straight.
    """
    times = read_fillers().setting
    log_hours = np.log(times.hours)
    here, there = np.interp([air_celsius, times.reference_celsius], times.celsius, log_hours)
    return float(minutes * math.exp(here - there))


def plan_amounts(
    options: Sequence[Option],
    unit_pits: Sequence[np.ndarray],
    pits: PlanPits,
    *,
    coated_m2: float,
    passes: int,
    settings: RepairSettings,
) -> dict[str, Any]:
    """Return grams of paste: holes, film, pot remainder, and the batches that fit the working time.

    Parameters
    ----------
    options : the chosen option of every unit; unit_pits : its pits' rows in the table
    coated_m2 : area to coat, m2; passes : fills and refills in all

    Returns
    -------
    dict
        `holes_g` (with `holes_g_low`, `holes_g_high`), `film_g`, `again_g` (test patch and refills),
        `remainder_g`, `paste_g` (all together), `mix_g` (the batches as weighed, each rounded up to 5 g), `n_batches`,
        `batch_g`, `batches` per lift and kind of work, `filler`, `minutes`, `sentence`, `notes`.

    Errors of the answer: volumes from one lamp are least volumes, so the true need of the
    holes lies between `holes_g_low` and `holes_g_high`, and undercut pits take more.
    Source: quantities by geometry; times, film and remainder are assumptions of the shop.
    """
    filler = read_fillers().filler[settings.filler]
    actions = _by_pit(options, unit_pits, len(pits.pit_id))
    holes = _hole_grams(pits, actions, settings)
    film = film_g(coated_m2, settings)
    stages = _list_stages(actions, pits, coated_m2, film, settings)
    stages = _add_patch_and_refills(stages, holes["holes_g"], passes, settings)
    again_g = sum(stage["g"] for stage in stages if stage["stage"] in _BESIDES)
    batches = [_split_batches(stage, filler, settings) for stage in stages]
    n_batches = sum(batch["n"] for batch in batches)
    remainder_g = n_batches * settings.pot_remainder_g
    paste_g = holes["holes_g"] + film + again_g + remainder_g
    amounts = {
        **holes,
        "film_g": film,
        "again_g": again_g,
        "remainder_g": remainder_g,
        "paste_g": paste_g,
        "mix_g": float(sum(batch["n"] * batch["g_each"] for batch in batches)),
        "coated_m2": coated_m2,
        "n_batches": n_batches,
        "batch_g": max((batch["g_each"] for batch in batches), default=0.0),
        "batches": batches,
        "filler": filler.title,
        "working_min": filler.working_min,
        "minutes": float(sum(option.minutes for option in options)),
    }
    return amounts | {"sentence": _say_amounts(amounts), "notes": _amount_notes(filler)}


def _by_pit(options: Sequence[Option], unit_pits: Sequence[np.ndarray], n_pits: int) -> np.ndarray:
    actions = np.full(n_pits, LEAVE)
    for option, rows in zip(options, unit_pits, strict=True):
        actions[rows] = option.actions
    return actions


def _hole_grams(pits: PlanPits, actions: np.ndarray, settings: RepairSettings) -> dict[str, float]:
    treated = actions != LEAVE
    to_grams = settings.paste_g_per_cm3 / MM3_PER_CM3
    volume_mm3 = pits.volume_mm3[treated]
    half_ball_mm3 = hemisphere_mm3(pits.arrays.diameter_mm[treated])
    return {
        "holes_g": float(volume_mm3.sum() * to_grams),
        "holes_g_low": float(np.minimum(volume_mm3, half_ball_mm3).sum() * to_grams),
        "holes_g_high": float(np.maximum(volume_mm3, half_ball_mm3).sum() * to_grams),
    }


def _list_stages(
    actions: np.ndarray,
    pits: PlanPits,
    coated_m2: float,
    film: float,
    settings: RepairSettings,
) -> list[dict[str, Any]]:
    """Grams and placing minutes per stage of the work, in working order."""
    to_grams = settings.paste_g_per_cm3 / MM3_PER_CM3
    per_pit_min = {
        REPAIR: settings.repair_min_per_void,
        TWO_LIFTS: settings.two_lifts_min_per_pit,
        FILL: settings.fill_min_per_pit,
    }
    names = {
        REPAIR: ("repairs",),
        TWO_LIFTS: ("large pits, first lift", "large pits, second lift"),
        FILL: ("pits by hand",),
    }
    stages = []
    for action, minutes in per_pit_min.items():
        rows, n_lifts = actions == action, len(names[action])
        if rows.any():
            grams = float(pits.volume_mm3[rows].sum() * to_grams) / n_lifts
            each_min = rows.sum() * minutes / n_lifts
            stages += [{"stage": name, "g": grams, "minutes": each_min} for name in names[action]]
    if coated_m2 > 0:
        grams = film + float(pits.volume_mm3[actions == COAT].sum() * to_grams)
        stages.append(
            {"stage": "slurry coat", "g": grams, "minutes": coated_m2 * settings.coat_min_per_m2}
        )
    return stages


def _add_patch_and_refills(
    stages: Sequence[dict[str, Any]], holes_g: float, passes: int, settings: RepairSettings
) -> list[dict[str, Any]]:
    """Return the stages with the test patch before them and a refill behind them for every further pass."""
    if not stages:
        return []
    minutes = sum(stage["minutes"] for stage in stages)
    still_open = 1 - settings.closed_per_pass
    patch = {"stage": "test patch", "g": settings.patch_g, "minutes": 0.0}
    refills = [
        {"stage": "refill", "g": holes_g * still_open**k, "minutes": minutes * still_open**k}
        for k in range(1, passes)
    ]
    return [patch, *stages, *(refill for refill in refills if refill["g"] > 0)]


def _split_batches(
    stage: dict[str, Any], filler: Filler, settings: RepairSettings
) -> dict[str, Any]:
    placing_min = float(stage["minutes"]) * settings.placing_share
    room_g = max(settings.batch_g_max - settings.pot_remainder_g, 1.0)
    n = max(1, math.ceil(placing_min / filler.working_min - 1e-9), math.ceil(stage["g"] / room_g))
    grams = stage["g"] / n + settings.pot_remainder_g
    g_each = math.ceil(grams / SCALE_STEP_G - 1e-9) * SCALE_STEP_G
    return {
        "stage": stage["stage"],
        "n": n,
        "g_each": g_each,
        "placing_min": placing_min,
        "feel": read_fillers().feel.get(stage["stage"], "") if filler.has_feel else "",
        "liquid_g": g_each * filler.liquid_share / (1 + filler.liquid_share),
    }


def _say_amounts(amounts: dict[str, Any]) -> str:
    if not amounts["n_batches"]:
        return "No paste is needed."
    batches = " and ".join(
        f"{batch['n']} x {batch['g_each']:.0f} g for the {batch['stage']}"
        for batch in amounts["batches"]
    )
    return (
        f"Mix {amounts['mix_g']:.0f} g of {amounts['filler']}: {amounts['holes_g']:.0f} g for the "
        f"holes, {amounts['film_g']:.0f} g as film, {amounts['again_g']:.0f} g for test patch and refill, "
        f"{amounts['remainder_g']:.0f} g left in the pots, "
        f"each batch rounded up to {SCALE_STEP_G:.0f} g: {batches}, each used up within "
        f"{amounts['working_min']:.0f} minutes."
    )


def _amount_notes(filler: Filler) -> tuple[str, ...]:
    caution = read_fillers().caution
    return (
        f"Start the test patch from: {filler.mix}. {caution['start']}",
        f"Wetting for this filler: {filler.wetting}. Sources disagree on wet or dry holes.",
        f"Lifts of at most {filler.lift_mm:g} mm. Watch: {filler.watch}.",
        caution["sheet"],
        "Depths from one lamp are least depths, so holes may take more.",
    )
