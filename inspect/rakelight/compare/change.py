"""What became of each pit between two surveys of the same face?

`compare_surveys` is the table of contents: lay one plan on the other, pair what is the same
place, judge what each photo could show, and give every pit a state with its chance:

- closed: nothing open is there now, and the later photo would have shown it;
- dished: still a hollow, but much shallower than before (a fill that sank);
- open: as before;
- new: open now, and the earlier photo would have shown it;
- unseen: one of the two photos could not have shown it, so nothing is claimed.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from .. import __version__
from ..core.errors import CompareError
from ..core.records import CHANGE_COLUMNS, Comparison, Inspection, make_table
from ..core.settings import CompareSettings
from .figures import count_changes
from .match import PlaceMatch, Places, Predict, match_places
from .register import Registration, register_places
from .sight import REASON_TEXT, Sight, judge_sight

SIZE_TOLERANCE = 0.08
FEW_FEATURES = 12
TURNS = (90, 180, 270)
OPEN_DEPTH_SD = 0.45
DISH_DEPTH_SD = 0.7
NO_SHADOW_SD = 0.35
"""Spread of ln(depth after / depth before) for an open pit and for a sunk fill, and of the depth
at which a shadow vanishes (our choice; depth from one lamp is good to about a third)."""

PRIOR_COUNT = 10.0
"""How many pits the expected share of sunk fills weighs against what is seen (our choice)."""


@dataclass(frozen=True, slots=True)
class Pair:
    """Two surveys with what joins them: how they lie, who is who and what each could show.

    after_sight : of the earlier pits, in the later photo; before_sight : of the later pits, in
    the earlier photo. expected_mm : where each earlier pit should be now (n, 2).
    """

    before: Inspection
    after: Inspection
    registration: Registration
    match: PlaceMatch
    expected_mm: np.ndarray
    after_sight: Sight
    before_sight: Sight
    before_mark: np.ndarray


def compare_surveys(
    before: Inspection,
    after: Inspection,
    *,
    settings: CompareSettings | None = None,
    predict: Predict | None = None,
    tones: np.ndarray | None = None,
) -> Comparison:
    """Return what became of every pit between two surveys of the same face.

    Parameters
    ----------
    before, after : the earlier and the later survey, whatever their camera places and lamps.
    predict : callable, optional
        Takes x_mm, y_mm of earlier pits and returns where they should be on the later plan;
        default is the alignment found from what stayed put.
    tones : (n pits before,), optional
        CIEDE2000 difference of each place to the ring around it in the later soft-light photo;
        NaN where not known.

    Returns
    -------
    Comparison; with no pits in either survey its table is empty with all columns.

    Errors of the answer
    --------------------
    A state is as sure as its `confidence`. Below the later photo's smallest countable size
    nothing is called closed; below the earlier one's, nothing is called new.

    Source
    ------
    Our choice of states and chances; parts say their own sources.
    """
    settings = settings or CompareSettings()
    check_same_face(before, after)
    registration = register_surveys(before, after, settings=settings)
    pair = pair_surveys(before, after, registration, settings=settings, predict=predict)
    table = state_changes(pair, settings=settings, tones=tones)
    figures = count_changes(table, before, after, settings=settings)
    figures["unseen_because"] = _count_reasons(pair, table)
    return Comparison(
        table=table,
        registration=registration.as_mapping(),
        figures=figures,
        before=_describe(before),
        after=_describe(after),
        settings=settings.to_mapping(),
        version=__version__,
        notes=_write_notes(pair),
        warnings=_write_warnings(pair),
    )


def check_same_face(before: Inspection, after: Inspection) -> None:
    """Raise a CompareError when the two plans have clearly different sizes."""
    for side, was_mm, is_mm in zip(
        ("wide", "deep"), before.scale.size_mm, after.scale.size_mm, strict=True
    ):
        if abs(is_mm - was_mm) > SIZE_TOLERANCE * max(was_mm, is_mm):
            raise CompareError(
                f"The two plans differ: {was_mm:.0f} mm {side} before and {is_mm:.0f} mm after; "
                "give both surveys the same corners of the same face and inspect the wrong one again."
            )


def register_surveys(
    before: Inspection, after: Inspection, *, settings: CompareSettings | None = None
) -> Registration:
    """Return how the later plan lies on the earlier one; a plan laid down turned is a CompareError."""
    settings = settings or CompareSettings()
    here, there = _features(before), _features(after)
    registration = register_places(here, there, settings=settings)
    if not registration.is_aligned and min(len(here), len(there)) >= FEW_FEATURES:
        _refuse_turned(here, there, before.scale.size_mm, settings)
    return registration


def pair_surveys(
    before: Inspection,
    after: Inspection,
    registration: Registration,
    *,
    settings: CompareSettings,
    predict: Predict | None = None,
) -> Pair:
    """Return which pit is which, and what each photo could show of the other's pits."""
    here, there = Places.from_table(before.pits), Places.from_table(after.pits)
    predict = predict or registration.place
    sd_mm = registration.place_sd(here.x_mm, here.y_mm)
    match = match_places(here, there, settings=settings, predict=predict, sd_mm=sd_mm)
    expected_mm = np.column_stack(predict(here.x_mm, here.y_mm))
    back = np.column_stack(_go_back(registration, there.x_mm, there.y_mm))
    after_sight = judge_sight(
        after,
        expected_mm[:, 0],
        expected_mm[:, 1],
        diameter_mm=here.diameter_mm,
        depth_share=_depth_share(before.pits),
        settings=settings,
    )
    before_sight = judge_sight(
        before, back[:, 0], back[:, 1], diameter_mm=there.diameter_mm, settings=settings
    )
    before_mark = _find_marks(before, back, there, settings)
    return Pair(
        before, after, registration, match, expected_mm, after_sight, before_sight, before_mark
    )


def state_changes(
    pair: Pair, *, settings: CompareSettings, tones: np.ndarray | None = None
) -> pd.DataFrame:
    """Return the CHANGE_COLUMNS table: earlier pits in their order, then what only the later has."""
    earlier = _state_earlier(pair, settings)
    later = _state_later(pair, settings)
    table = pd.concat([earlier, later], ignore_index=True)
    tone = np.full(len(table), np.nan)
    if tones is not None:
        tone[: len(earlier)] = np.asarray(tones, float)
    return make_table(CHANGE_COLUMNS, {**table.to_dict("series"), "tone_dE00": tone})


def _state_earlier(pair: Pair, settings: CompareSettings) -> pd.DataFrame:
    was, now, match = pair.before.pits, pair.after.pits, pair.match
    n_pits = len(was)
    after_row = np.full(n_pits, -1)
    after_row[match.before] = match.after
    is_found = after_row >= 0
    state, confidence = _state_missing(pair, is_found, settings)
    dish = chance_dished(was.iloc[match.before], now.iloc[match.after], pair, settings)
    real = 1 - (1 - was["confidence"].to_numpy()[match.before]) * (
        1 - now["confidence"].to_numpy()[match.after]
    )
    state[match.before] = np.where(dish > 0.5, "dished", "open")
    confidence[match.before] = np.maximum(dish, 1 - dish) * match.chance * real
    found = now.iloc[np.maximum(after_row, 0)].reset_index(drop=True) if len(now) else None
    return pd.DataFrame(
        {
            "before_id": was["pit_id"].astype("Int64").to_numpy(),
            "before_x_mm": was["x_mm"].to_numpy(),
            "before_y_mm": was["y_mm"].to_numpy(),
            "before_diameter_mm": was["diameter_mm"].to_numpy(),
            "state": state,
            "after_id": _pick(found, "pit_id", is_found, pd.NA, "Int64"),
            "after_x_mm": _pick(found, "x_mm", is_found, pair.expected_mm[:, 0], "float64"),
            "after_y_mm": _pick(found, "y_mm", is_found, pair.expected_mm[:, 1], "float64"),
            "after_diameter_mm": _pick(found, "diameter_mm", is_found, np.nan, "float64"),
            "confidence": confidence,
        }
    )


def _pick(found, name, is_found, otherwise, dtype):
    """The later survey's value where a pit was found there, else `otherwise`."""
    blank = pd.Series(otherwise, index=range(len(is_found)), dtype=dtype)
    return blank if found is None else found[name].astype(dtype).where(is_found, blank)


def _state_missing(pair: Pair, is_found: np.ndarray, settings) -> tuple[np.ndarray, np.ndarray]:
    """State and chance of earlier pits with no later partner: closed or unseen."""
    sight = pair.after_sight
    open_share = _learn_open_share(is_found, sight)
    missed = open_share * (1 - sight.chance)
    closed = (1 - open_share) / (1 - open_share + missed)
    was_real = pair.before.pits["confidence"].to_numpy()
    state = np.where(sight.is_blind | (closed < 0.5), "unseen", "closed").astype(object)
    confidence = np.where(
        state == "closed", closed * was_real, np.where(sight.is_blind, 1 - sight.chance, 1 - closed)
    )
    return state, confidence


def _learn_open_share(is_found: np.ndarray, sight: Sight) -> float:
    """Share of earlier pits still open, from those the later photo could show well."""
    well = sight.chance > 0.8
    n_seen, n_found = np.count_nonzero(well), np.count_nonzero(is_found & well)
    mean_chance = float(np.mean(sight.chance[well])) if n_seen else 1.0
    # One pit more on either side keeps the share away from 0 and 1 on small numbers.
    return float(np.clip((n_found + 1) / (n_seen + 2) / mean_chance, 0.01, 0.99))


def chance_dished(
    was: pd.DataFrame, now: pd.DataFrame, pair: Pair, settings: CompareSettings
) -> np.ndarray:
    """Return the chance (n,) that a place still hollow is a sunk fill, from its two depths.

    A later pit without any shadow is shallower than the depth at which a cap loses its shadow
    under that lamp. Where neither survey knows a depth, the prior share stands.
    """
    from scipy.stats import norm

    _, angle_deg = pair.after.lamp.at_pit(now["x_mm"], now["y_mm"])
    vanishing = np.log(np.tan(np.radians(angle_deg) / 2) / 2)
    before = np.log(_depth_share(was))
    after = np.log(_depth_share(now))
    dish = np.log(settings.dish_depth_share)
    shift, limit = after - before, vanishing - before
    ratio = norm.pdf(shift, dish, DISH_DEPTH_SD) / np.maximum(
        norm.pdf(shift, 0, OPEN_DEPTH_SD), 1e-12
    )
    spread = np.hypot(NO_SHADOW_SD, [DISH_DEPTH_SD, OPEN_DEPTH_SD])
    faded = norm.cdf(limit, dish, spread[0]) / np.maximum(norm.cdf(limit, 0, spread[1]), 1e-12)
    weight = np.where(np.isfinite(ratio), ratio, np.where(np.isfinite(faded), faded, 1.0))
    # Deeper than before is never a fill.
    weight = np.where(shift > 0, np.minimum(weight, 0.1), weight)
    return _weigh_shares(weight, settings.dish_share)


def _weigh_shares(weight: np.ndarray, prior: float) -> np.ndarray:
    """Chance of the first of two kinds from likelihood ratios, their mixture learned with them."""
    share, chance = prior, np.full(len(weight), prior)
    for _ in range(25):
        chance = share * weight / (share * weight + 1 - share)
        share = (np.sum(chance) + prior * PRIOR_COUNT) / (len(weight) + PRIOR_COUNT)
    return chance


def _state_later(pair: Pair, settings: CompareSettings) -> pd.DataFrame:
    now, sight = pair.after.pits, pair.before_sight
    alone = np.setdiff1d(np.arange(len(now)), pair.match.after)
    known = pair.before_mark[alone]
    is_new = chance_new(pair, alone)
    blind = sight.is_blind[alone]
    state = np.where(known, "open", np.where(blind | (is_new < 0.5), "unseen", "new"))
    real = now["confidence"].to_numpy()[alone]
    confidence = np.where(
        state == "new", is_new * real, np.where(state == "open", 0.5 + 0.5 * real, 1 - is_new)
    )
    return pd.DataFrame(
        {
            "before_id": pd.array([pd.NA] * len(alone), dtype="Int64"),
            "before_x_mm": np.full(len(alone), np.nan),
            "before_y_mm": np.full(len(alone), np.nan),
            "before_diameter_mm": np.full(len(alone), np.nan),
            "state": state,
            "after_id": now["pit_id"].to_numpy()[alone],
            "after_x_mm": now["x_mm"].to_numpy()[alone],
            "after_y_mm": now["y_mm"].to_numpy()[alone],
            "after_diameter_mm": now["diameter_mm"].to_numpy()[alone],
            "confidence": confidence,
        }
    )


def chance_new(pair: Pair, alone: np.ndarray) -> np.ndarray:
    """Return the chance (n,) that a later pit without partner was not there, rather than missed.

    The number of truly new pits is learned from the surveys themselves: what the earlier photo
    would have missed of the pits that stayed open is taken off what appeared.
    """
    sight = pair.before_sight.chance
    n_open = float(np.sum(1 / np.maximum(sight[pair.match.after], 0.3)))
    missed = 1 - sight[alone]
    n_new = float(len(alone))
    chance = np.ones(len(alone))
    for _ in range(20):
        of_open = n_open * missed / max(float(np.mean(sight)) if len(sight) else 1.0, 0.3)
        chance = n_new / np.maximum(n_new + of_open, 1e-9)
        n_new = float(np.sum(chance)) + 0.5
    return chance


def _depth_share(pits: pd.DataFrame) -> np.ndarray:
    return (pits["depth_mm"] / pits["diameter_mm"]).to_numpy(float)


def _features(inspection: Inspection) -> Places:
    return Places.from_table(inspection.pits).join(Places.from_table(inspection.marks))


def _find_marks(before, back, there, settings) -> np.ndarray:
    """Whether the earlier survey listed something else, not taken for a pit, at later pits (n,)."""
    marks = Places.from_table(before.marks)
    moved = Places(back[:, 0], back[:, 1], there.diameter_mm, there.stretch)
    found = match_places(moved, marks, settings=settings)
    is_marked = np.zeros(len(there), bool)
    is_marked[found.before] = True
    return is_marked


def _go_back(registration: Registration, x_mm, y_mm):
    inverse = np.linalg.inv(registration.matrix)
    depth = inverse[2, 0] * x_mm + inverse[2, 1] * y_mm + inverse[2, 2]
    return (
        (inverse[0, 0] * x_mm + inverse[0, 1] * y_mm + inverse[0, 2]) / depth,
        (inverse[1, 0] * x_mm + inverse[1, 1] * y_mm + inverse[1, 2]) / depth,
    )


def _refuse_turned(here: Places, there: Places, size_mm, settings) -> None:
    for turn in TURNS:
        if (
            register_places(_turn(here, turn, size_mm), there, settings=settings).n_stable
            >= FEW_FEATURES
        ):
            raise CompareError(
                f"The later plan lies turned by {turn} degrees against the earlier one: give its corners "
                "in the order top-left, top-right, bottom-right, bottom-left and inspect it again."
            )


def _turn(places: Places, turn_deg: int, size_mm) -> Places:
    """The places as they lie after the plan is turned clockwise about its corner frame."""
    width_mm, height_mm = size_mm
    x_mm, y_mm = {
        90: (height_mm - places.y_mm, places.x_mm),
        180: (width_mm - places.x_mm, height_mm - places.y_mm),
        270: (places.y_mm, width_mm - places.x_mm),
    }[turn_deg]
    return Places(x_mm, y_mm, places.diameter_mm, places.stretch)


def _describe(inspection: Inspection) -> dict:
    return {
        **inspection.job,
        "photos": [photo.get("name", "") for photo in inspection.photos],
        "sha256": [photo.get("sha256", "") for photo in inspection.photos],
        "n_pits": len(inspection.pits),
        "smallest_countable_mm": float(inspection.quality.smallest_countable_mm),
        "verdict": inspection.quality.verdict,
        "version": inspection.version,
    }


def _count_reasons(pair: Pair, table: pd.DataFrame) -> dict[str, int]:
    earlier = table["before_id"].notna().to_numpy()
    reasons = pair.after_sight.reason[(table["state"] == "unseen").to_numpy()[earlier]]
    return {REASON_TEXT[r]: int(np.sum(reasons == r)) for r in REASON_TEXT if np.any(reasons == r)}


def _write_notes(pair: Pair) -> tuple[str, ...]:
    registration = pair.registration
    if not registration.is_aligned:
        return ("Aligned by the two scales alone: too little that stayed put was found.",)
    return (
        f"Aligned on {registration.n_stable} places that stayed put, "
        f"to {registration.residual_sd_mm:.1f} mm.",
    )


def _write_warnings(pair: Pair) -> tuple[str, ...]:
    warnings = []
    n_least = min(len(_features(pair.before)), len(_features(pair.after)))
    if not pair.registration.is_aligned and n_least >= FEW_FEATURES:
        warnings.append(
            "Almost nothing agrees between the surveys: make sure both show the same face."
        )
    if pair.after.quality.verdict == "retake":
        warnings.append("The later photo should be taken again: nothing is called closed from it.")
    return tuple(warnings)
