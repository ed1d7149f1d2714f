"""What became of each pit between two surveys of the same face?

`compare_surveys` is the table of contents: lay one plan on the other, pair what is the same
place, judge what each photo could show, and give every pit a state with its chance:

- closed: nothing open is there now, and the later photo would have shown it;
- dished: still a hollow, but much shallower than before (a fill that sank);
- open: as before;
- new: open now, and the earlier photo would have shown it;
- unseen: one of the two photos could not have shown it, so nothing is claimed.
"""

import numpy as np
import pandas as pd

from .. import __version__
from ..core.records import CHANGE_COLUMNS, Comparison, Inspection, make_table
from ..core.settings import CompareSettings
from .figures import count_changes
from .match import Predict
from .pair import (
    FEW_FEATURES,
    Pair,
    check_same_face,
    list_features,
    pair_surveys,
    register_surveys,
)
from .sight import REASON_TEXT, hides_rake, is_photo_blind, smallest_trusted_mm
from .states import PairMouths, judge_earlier, judge_later, read_pair


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


def state_changes(
    pair: Pair, *, settings: CompareSettings, tones: np.ndarray | None = None
) -> pd.DataFrame:
    """Return the CHANGE_COLUMNS table: earlier pits in their order, then what only the later has."""
    mouths = read_pair(pair)
    earlier = _state_earlier(pair, mouths, settings)
    later = _state_later(pair, mouths)
    table = pd.concat([earlier, later], ignore_index=True)
    tone = np.full(len(table), np.nan)
    if tones is not None:
        tone[: len(earlier)] = np.asarray(tones, float)
    return make_table(CHANGE_COLUMNS, {**table.to_dict("series"), "tone_dE00": tone})


def _state_earlier(pair: Pair, mouths: PairMouths, settings: CompareSettings) -> pd.DataFrame:
    was, now, is_found = pair.before.pits, pair.after.pits, pair.is_found
    after_row = np.zeros(len(was), int)
    after_row[pair.match.before] = pair.match.after
    state, confidence = judge_earlier(pair, mouths, settings=settings)
    found = now.iloc[after_row].reset_index(drop=True) if len(now) else None
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


def _state_later(pair: Pair, mouths: PairMouths) -> pd.DataFrame:
    now = pair.after.pits
    alone = pair.alone
    state, confidence = judge_later(pair, mouths)
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
    n_least = min(len(list_features(pair.before)), len(list_features(pair.after)))
    if not pair.registration.is_aligned and n_least >= FEW_FEATURES:
        warnings.append(
            "Almost nothing agrees between the surveys: make sure both show the same face."
        )
    if hides_rake(pair.after.quality, pair.after.lamp):
        warnings.append(
            "The later photo does not show that its light rakes, so nothing is called closed from it: "
            "put one lamp 10 to 20 degrees above the face and photograph again, with the card's post in the picture."
        )
    elif is_photo_blind(pair.after.quality, pair.after.lamp):
        warnings.append("The later photo should be taken again: nothing is called closed from it.")
    elif pair.after.quality.verdict == "retake":
        warnings.append(
            "The later photo should be taken again from closer: no pit below "
            f"{smallest_trusted_mm(pair.after):.1f} mm is called closed from it."
        )
    return tuple(warnings)
