"""The shop's own times and amounts, learned from repairs really done.

Catalogue: `learn_rates` (minutes per pit, minutes per m2, film, share to refill) and
`offer_settings` (those that the planner can take over). A rate is total over total, so that a
big job counts for more than a small one.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from ..core.settings import RepairSettings
from .connection import Log, reading
from .tables import Job, Repair, Slab, StoredComparison, StoredInspection, Survey

FILLS = ("fill", "fill_two_lifts")
COAT = "slurry_coat"
PLANNER_NAMES = ("fill_min_per_pit", "coat_min_per_m2", "film_mm")


@dataclass(frozen=True, slots=True)
class Rate:
    """One learned rate: name, value and standard uncertainty in `unit`, and what it stands on.

    sd : NaN when it stands on one repair. n : repairs (or judged pits for a share).
    """

    name: str
    value: float
    sd: float
    unit: str
    n: int
    material: str = ""


def learn_rates(log: Log, *, settings: RepairSettings | None = None) -> tuple[Rate, ...]:
    """Return the rates that the log's repairs and comparisons support.

    fill_min_per_pit, fill_g_per_pit, coat_min_per_m2, film_mm : from `repair` rows.
    refill_share, sunk_share : pits that were not closed, and that sank, of those judged in
    comparisons, for each filling material used on that slab before the later survey.

    Errors of the answer
    --------------------
    sd is the jackknife over repairs: it shows how much they differ, not whether the times were
    written down honestly.

    Source
    ------
    Ratio estimate with jackknife: common survey practice, from memory.
    """
    settings = settings or RepairSettings()
    with reading(log) as session:
        repairs = session.scalars(
            sa.select(Repair)
            .join(Slab)
            .join(Job)
            .where(*(t.deleted_at.is_(None) for t in (Repair, Slab, Job)))
        ).all()
        shares = _count_fates(session)
    fills = [r for r in repairs if r.action in FILLS]
    coats = [r for r in repairs if r.action == COAT]
    # Grams over m2 and g/cm3 give thousandths of a mm.
    film = 1 / (1000 * settings.paste_g_per_cm3)
    rates = [
        _rate("fill_min_per_pit", [(r.minutes, r.n_pits) for r in fills], "min"),
        _rate("fill_g_per_pit", [(r.grams, r.n_pits) for r in fills], "g"),
        _rate("coat_min_per_m2", [(r.minutes, r.area_m2) for r in coats], "min/m2"),
        _rate("film_mm", [(r.grams, r.area_m2) for r in coats], "mm", factor=film),
    ]
    return (*(rate for rate in rates if rate is not None), *_share_rates(shares))


def offer_settings(
    rates: Sequence[Rate], *, settings: RepairSettings | None = None, least_repairs: int = 3
) -> dict[str, float]:
    """Return what the planner can take over: setting name -> learned value.

    A rate that stands on fewer repairs than `least_repairs` is not offered.
    """
    names = set((settings or RepairSettings()).to_mapping()) & set(PLANNER_NAMES)
    return {r.name: r.value for r in rates if r.name in names and r.n >= least_repairs}


def _rate(
    name: str, pairs: Sequence[tuple[float | None, float | None]], unit: str, *, factor: float = 1.0
) -> Rate | None:
    pairs = [(a, b) for a, b in pairs if a is not None and b is not None and a >= 0 and b > 0]
    if not pairs:
        return None
    above, below = sum(a for a, _ in pairs), sum(b for _, b in pairs)
    return Rate(name, factor * above / below, factor * _jackknife_sd(pairs), unit, len(pairs))


def _jackknife_sd(pairs: Sequence[tuple[float, float]]) -> float:
    """Standard uncertainty of total over total when each pair in turn is left out."""
    n = len(pairs)
    if n < 2:
        return math.nan
    above, below = sum(a for a, _ in pairs), sum(b for _, b in pairs)
    left_out = [(above - a) / (below - b) for a, b in pairs]
    mean = sum(left_out) / n
    return math.sqrt((n - 1) / n * sum((value - mean) ** 2 for value in left_out))


def _count_fates(session: sa.orm.Session) -> dict[str, list[int]]:
    """material -> [closed, dished, open] over comparisons that follow a fill with it."""
    rows = session.execute(
        sa.select(
            Repair.material,
            StoredComparison.id,
            StoredComparison.n_closed,
            StoredComparison.n_dished,
            StoredComparison.n_open,
        )
        .distinct()  # two fills with one material before one survey are one comparison
        .select_from(StoredComparison)
        .join(StoredInspection, StoredInspection.id == StoredComparison.after_id)
        .join(Survey, Survey.id == StoredInspection.survey_id)
        .join(Slab, Slab.id == Survey.slab_id)
        .join(Job, Job.id == Slab.job_id)
        .join(Repair, Repair.slab_id == Slab.id)
        .where(
            Repair.action.in_(FILLS),
            Repair.done_at <= Survey.taken_at,
            *(t.deleted_at.is_(None) for t in (Repair, Slab, Survey, Job)),
        )
    )
    fates: dict[str, list[int]] = {}
    for material, _, *counts in rows:
        kept = fates.setdefault(material, [0, 0, 0])
        fates[material] = [a + int(b) for a, b in zip(kept, counts, strict=True)]
    return fates


def _share_rates(fates: dict[str, list[int]]) -> list[Rate]:
    rates: list[Rate] = []
    for material, (n_closed, n_dished, n_open) in sorted(fates.items()):
        n = n_closed + n_dished + n_open
        if n:
            rates.append(_share("refill_share", n_dished + n_open, n, material))
            rates.append(_share("sunk_share", n_dished, n, material))
    return rates


def _share(name: str, n_yes: int, n: int, material: str) -> Rate:
    share = (n_yes + 0.5) / (n + 1)
    return Rate(name, n_yes / n, math.sqrt(share * (1 - share) / n), "", n, material)


def as_mapping(rates: Sequence[Rate]) -> list[dict[str, Any]]:
    """Return the rates as plain words and numbers, for screens and JSON."""
    return [
        {
            "name": r.name,
            "value": r.value,
            "sd": r.sd,
            "unit": r.unit,
            "n": r.n,
            "material": r.material,
        }
        for r in rates
    ]
