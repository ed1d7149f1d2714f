"""The life line of every pit over many surveys: open, filled, sunk, refilled, closed, reopened.

A line is a place on the face. It keeps its number while it is closed, so that a fill that falls
out two years later joins the line it belongs to instead of looking new.
"""

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from ..core.errors import CompareError
from ..core.records import LIFE_COLUMNS, PIT_COLUMNS, Inspection, make_table
from ..core.settings import CompareSettings
from .change import state_changes
from .pair import check_same_face, pair_surveys, register_surveys

HOLLOW = ("open", "dished", "new")


def trace_life_lines(
    surveys: Sequence[Inspection], *, settings: CompareSettings | None = None
) -> pd.DataFrame:
    """Return one row per life line and survey, from where the line begins (LIFE_COLUMNS).

    Parameters
    ----------
    surveys : two or more inspections of one face, in order of time.

    Returns
    -------
    DataFrame sorted by line and survey; with no pits at all it is empty with all columns.

    Errors of the answer
    --------------------
    As in `compare_surveys` for each step. A pit found later where an earlier photo could not
    have shown it begins a line in state `unseen`, not `new`.

    Source
    ------
    Our choice.
    """
    if len(surveys) < 2:
        raise CompareError("Give at least two surveys of one face to follow its pits.")
    settings = settings or CompareSettings()
    lines = surveys[0].pits.reset_index(drop=True)
    was_closed = np.zeros(len(lines), bool)
    pages = [_first_page(surveys[0])]
    for number, (before, after) in enumerate(itertools.pairwise(surveys), start=2):
        check_same_face(before, after)
        changes = _follow(replace(before, pits=_number(lines)), after, settings)
        page, lines, was_closed = _turn_page(changes, lines, after, was_closed)
        pages.append(page.assign(survey=number, stage=after.job.get("stage", "")))
    return _bind(pages)


def _follow(lines: Inspection, after: Inspection, settings: CompareSettings) -> pd.DataFrame:
    registration = register_surveys(lines, after, settings=settings)
    pair = pair_surveys(lines, after, registration, settings=settings)
    return state_changes(pair, settings=settings)


def _number(lines: pd.DataFrame) -> pd.DataFrame:
    return lines.assign(pit_id=np.arange(1, len(lines) + 1))


def _first_page(survey: Inspection) -> pd.DataFrame:
    pits = survey.pits
    return pd.DataFrame(
        {
            "line_id": np.arange(1, len(pits) + 1),
            "survey": 1,
            "stage": survey.job.get("stage", ""),
            "pit_id": pits["pit_id"].to_numpy(),
            "x_mm": pits["x_mm"].to_numpy(),
            "y_mm": pits["y_mm"].to_numpy(),
            "diameter_mm": pits["diameter_mm"].to_numpy(),
            "state": "open",
            "is_reopened": False,
            "confidence": pits["confidence"].to_numpy(),
        }
    )


def _turn_page(changes, lines, after, was_closed):
    """The rows of this survey, the lines as they lie on its plan, and which of them are closed."""
    n_new = len(changes) - len(lines)
    was_closed = np.concatenate([was_closed, np.zeros(n_new, bool)])
    state = changes["state"].to_numpy(object)
    is_found = changes["after_id"].notna().to_numpy()
    reopened = was_closed & is_found
    page = pd.DataFrame(
        {
            "line_id": np.arange(1, len(changes) + 1),
            "pit_id": changes["after_id"],
            "x_mm": changes["after_x_mm"],
            "y_mm": changes["after_y_mm"],
            "diameter_mm": changes["after_diameter_mm"],
            "state": state,
            "is_reopened": reopened,
            "confidence": changes["confidence"],
        }
    )
    # What cannot be seen now stays what it was last seen to be.
    closed_now = np.where(
        state == "closed", True, np.where(np.isin(state, HOLLOW) | is_found, False, was_closed)
    )
    return page, _carry_lines(changes, lines, after), closed_now.astype(bool)


def _carry_lines(changes: pd.DataFrame, lines: pd.DataFrame, after: Inspection) -> pd.DataFrame:
    """Every line as a pit: where it lies now, with the size and depth it began with."""
    found = after.pits.set_index("pit_id").loc[changes["after_id"][len(lines) :].astype(int)]
    joined = pd.concat([lines, found.reset_index()], ignore_index=True)
    joined["x_mm"] = changes["after_x_mm"].to_numpy()
    joined["y_mm"] = changes["after_y_mm"].to_numpy()
    return make_table(PIT_COLUMNS, joined[[c.name for c in PIT_COLUMNS]].to_dict("series"))


def _bind(pages: list[pd.DataFrame]) -> pd.DataFrame:
    table = pd.concat(pages, ignore_index=True).sort_values(
        ["line_id", "survey"], ignore_index=True
    )
    return make_table(LIFE_COLUMNS, table.to_dict("series"))
