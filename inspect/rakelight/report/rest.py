"""The pits that get no line of their own on a sheet: coated with their field, or left.

They are filled by the coat, not one by one; after it they must be found again, so number, place
and size stand in a close list behind the sheet, and where there are too many the page says where.
"""

import math
from typing import Any

import pandas as pd

from rakelight.core.records import Inspection
from rakelight.core.settings import ReportSettings
from rakelight.core.units import format_inches

from . import facts
from .words import Words

MOST_LISTED = 600
_COLUMNS = {"mm": 5, "in": 3}
_LINES_PER_PAGE = {"a4": 62, "us-letter": 57}


def collect_rest(
    inspection: Inspection,
    rows: pd.Index,
    words: Words,
    *,
    actions: pd.Series,
    settings: ReportSettings,
) -> dict[str, Any] | None:
    """Return the close list of a sheet: title and pages of columns of lines; None when all are listed.

    Above `MOST_LISTED` the largest are listed and the title says where the others stand.
    """
    if not len(rows):
        return None
    pits = inspection.pits.loc[rows]
    shown = pits.nlargest(MOST_LISTED, "diameter_mm", keep="first").sort_values("pit_id")
    title = words.say("sheet.rest_title", what=say_rest(actions[rows], words))
    if (actions[rows] == "slurry_coat").any():
        title += " " + words.say("sheet.rest_again")
    if len(shown) < len(rows):
        title += " " + words.say("sheet.rest_more", listed=len(shown))
    lines = [
        _collect_line(inspection, pit, actions[pit.Index], words, settings)
        for pit in shown.itertuples()
    ]
    return {"title": title, "pages": _split_pages(lines, settings)}


def say_rest(actions: pd.Series, words: Words) -> str:
    """Return what happens to pits without a line: ``385 coated with their field, 4 left``."""
    n_coated = int((actions == "slurry_coat").sum())
    counts = {"rest_coated": n_coated, "rest_left": len(actions) - n_coated}
    return ", ".join(words.say(f"sheet.{key}", n=n) for key, n in counts.items() if n)


def _collect_line(
    inspection: Inspection, pit: Any, action: str, words: Words, settings: ReportSettings
) -> list[str]:
    bands = facts.size_bands(inspection)
    band = bands[int(facts.band_index(pit.diameter_mm, bands))]
    front_mm = facts.slab_size_mm(inspection)[1] - pit.y_mm
    is_inch = settings.units == "in"
    places = [format_inches(v) if is_inch else words.number(v) for v in (pit.x_mm, front_mm)]
    do = words.say(f"short_action.{action}")
    return [str(int(pit.pit_id)), *places, band.short(words, settings.units), do]


def _split_pages(lines: list[list[str]], settings: ReportSettings) -> list[list[list[list[str]]]]:
    n_columns, n_lines = _COLUMNS[settings.units], _LINES_PER_PAGE[settings.paper]
    pages = []
    for start in range(0, len(lines), n_columns * n_lines):
        here = lines[start : start + n_columns * n_lines]
        high = max(math.ceil(len(here) / n_columns), 1)
        pages.append([here[i * high : (i + 1) * high] for i in range(n_columns)])
    return pages
