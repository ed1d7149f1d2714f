"""The printed work sheet: a plan of the work, then one page per area with every pit placed.

Black and white, so that a photocopy says the same; distances from the front left corner, as
a tape measures them; the test patch stands before any advice.
"""

import math
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from rakelight.core.records import Inspection
from rakelight.core.settings import ReportSettings
from rakelight.core.units import format_inches

from . import facts
from .choices import collect_choices
from .pages import typeset
from .paste import as_number, collect_advice, collect_batches, say_filler, say_paste, say_total
from .rest import collect_rest, say_rest
from .sheet_map import SheetScale, draw_area, draw_overview
from .units import tell_sentence
from .words import Words, clean_name, load_words
from .worklist import (
    BY_HAND,
    Area,
    choose_actions,
    divide_face,
    list_pits,
    list_work,
    pick_pits,
    say_work,
    touch_fields,
)

_PAPER_MM = {"a4": (210.0, 297.0), "us-letter": (215.9, 279.4)}
_MARGIN_MM, _HEAD_MM, _FOOT_MM, _MAP_EXTRA_MM = 12.0, 25.0, 8.0, 26.0
_OVERVIEW_MM = 78.0
_LARGEST_LISTED = 8
_MOST_WARNINGS = 3
_DAYS_FROM_H = 47
_TALLEST_ROW_MM = 8.0


def write_work_sheet(
    inspection: Inspection, path: str | Path, *, settings: ReportSettings | None = None
) -> Path:
    """Write the work sheet as PDF and return its path.

    Parameters
    ----------
    inspection : Inspection
        The record; nothing is measured here.
    path : path
        File to write.
    settings : ReportSettings
        Units that stand first, paper, language, side of the area on one sheet.

    Errors of the answer: distances are those of the record, printed to 1 mm and 1/16 in.
    Source: trade notes on what a finisher's sheet must carry; layout our own.
    """
    settings = settings or ReportSettings()
    data = collect_work_sheet(inspection, settings)
    pdf = typeset("work_sheet", data, when=facts.photo_time(inspection))
    path = Path(path)
    path.write_bytes(pdf)
    return path


def collect_work_sheet(inspection: Inspection, settings: ReportSettings) -> dict[str, Any]:
    """Return everything the work sheet prints, as plain values for the page template."""
    words = load_words(settings.language)
    actions = choose_actions(inspection)
    areas = divide_face(facts.slab_size_mm(inspection), settings.sheet_field_mm)
    sheets = [_collect_sheet(inspection, settings, words, area, actions) for area in areas]
    worked = [sheet for sheet in sheets if sheet is not None]
    head = _collect_head(inspection, settings, words)
    empty = None if len(inspection.pits) else _collect_empty(inspection, words, settings)
    return head | {
        "empty": empty,
        "cover": _collect_cover(inspection, settings, words, areas, actions),
        "sheets": worked,
        "choices": collect_choices(inspection, words, settings.units),
        "choice_words": words.section("choices"),
        "sheets_empty": _name_skipped(sheets, words),
        "n_sheets": len(areas),
    }


def _collect_head(inspection: Inspection, settings: ReportSettings, words: Words) -> dict[str, Any]:
    smallest = facts.smallest_counted_mm(inspection)
    job = inspection.job
    from_deg, _ = facts.lamp_at_centre(inspection.lamp, facts.slab_size_mm(inspection))
    names = [clean_name(job.get(key, ""), longest=60) for key in ("client", "site", "stage")]
    sha = str(inspection.photos[0].get("sha256", "")) if inspection.photos else ""
    return {
        "words": words.section("sheet"),
        "actions": words.section("short_action"),
        "language": words.section("form")["language"],
        "native_reader": words.section("form")["needs_native_reader"],
        "paper": settings.paper,
        "units": settings.units,
        "title": facts.slab_title(inspection, words),
        "job": " · ".join(name for name in names if name),
        "photo_day": words.say("sheet.photo_of", day=facts.photo_day(inspection))
        if facts.photo_day(inspection)
        else words.say("map.undated"),
        "lamp": facts.describe_lamp(inspection.lamp, facts.slab_size_mm(inspection), words),
        "lamp_from_deg": from_deg,
        "trust": _say_trust(inspection, words, settings.units),
        "n_pits": words.count_pits(facts.count_pits(inspection).n_pits),
        "honest": words.say("sheet.honest", smallest=words.size(smallest, settings.units))
        if math.isfinite(smallest)
        else words.say("sheet.honest_unknown"),
        "footer": words.say("sheet.footer", version=inspection.version, sha=sha[:12] or "–"),
    }


def _say_trust(inspection: Inspection, words: Words, units: str) -> dict[str, Any] | None:
    """Return the doubt about the photo that must stand above everything; None when there is none.

    The word is the record's own verdict, as on the client report: a note of the record does not
    make a good photo a doubtful one.
    """
    doubt = facts.name_doubt(inspection)
    advice = inspection.quality.advice
    notes = [line for line in inspection.warnings[:_MOST_WARNINGS] if line not in advice]
    told = {"retake": advice, "good": notes}.get(doubt, [*advice, *notes])
    if doubt == "good" and not notes:
        return None
    return {
        "title": words.say("sheet.minded" if doubt == "good" else f"sheet.{doubt}"),
        "text": " ".join(tell_sentence(line, units=units) for line in told),
        "is_grave": doubt in ("retake", "lamp_side"),
    }


def _collect_empty(
    inspection: Inspection, words: Words, settings: ReportSettings
) -> dict[str, str]:
    smallest = facts.smallest_counted_mm(inspection)
    share = words.number(100 * facts.seen_share(inspection))
    text = (
        words.say("sheet.empty_text", smallest=words.size(smallest, settings.units), share=share)
        if math.isfinite(smallest)
        else words.say("sheet.empty_text_unknown", share=share)
    )
    return {"text": text, "advice": words.say("sheet.empty_advice")}


def _collect_cover(
    inspection: Inspection,
    settings: ReportSettings,
    words: Words,
    areas: tuple[Area, ...],
    actions: pd.Series,
) -> dict[str, Any]:
    room_mm = (_PAPER_MM[settings.paper][0] - 2 * _MARGIN_MM, _OVERVIEW_MM)
    tell = partial(tell_sentence, units=settings.units)
    return {
        "overview": draw_overview(
            inspection, areas, room_mm=room_mm, work=list_work(inspection, actions), words=words
        ),
        "advice": collect_advice(inspection, words, actions),
        "total": say_total(inspection, words),
        "time": _say_time(inspection, words),
        "notes": [*_say_look_first(inspection, words), *map(tell, inspection.plan.notes)],
        "paste": say_paste(inspection, words),
        "filler": say_filler(inspection, settings.units),
        "batches": collect_batches(inspection, words),
        "order": [_collect_step(step, words, tell) for step in inspection.plan.order],
    }


def _say_time(inspection: Inspection, words: Words) -> str:
    minutes = as_number(inspection.plan.amounts.get("minutes"))
    if not math.isfinite(minutes):
        minutes = float(inspection.plan.fields["minutes"].sum())
    return words.say("sheet.advice_time", time=say_minutes(minutes, words)) if minutes > 0 else ""


def _say_look_first(inspection: Inspection, words: Words) -> list[str]:
    n = int(inspection.marks["kind"].isin(("joint", "crack")).sum())
    return [words.say("sheet.look_first", n=words.number(n))] if n else []


def _collect_step(step: dict[str, Any], words: Words, tell: Callable[[str], str]) -> dict[str, str]:
    wait = _say_wait(step, words)
    return {
        "title": tell(step.get("title", "")),
        "text": tell(step.get("text", "")),
        "wait": words.say("sheet.order_wait", time=wait) if wait else "",
        "at": clean_name(step.get("at", "")),
        "done_when": tell(step.get("done_when", "")),
    }


def _say_wait(step: dict[str, Any], words: Words) -> str:
    low, high = (as_number(step.get(name)) for name in ("wait_min", "wait_min_high"))
    if not math.isfinite(low) or low <= 0:
        return ""
    if math.isfinite(high) and high > low:
        times = {"low": say_minutes(low, words), "high": say_minutes(high, words)}
        return words.say("sheet.from_to", **times)
    return say_minutes(low, words)


def say_minutes(minutes: float, words: Words) -> str:
    """Return a time as ``45 min``, ``2 h 30 min``, ``24 h`` or ``7 days``."""
    hours, rest = divmod(round(minutes), 60)
    if hours >= _DAYS_FROM_H:
        return words.say("sheet.days", n=words.number(hours / 24, 0 if hours % 24 == 0 else 1))
    if not hours:
        return words.say("sheet.minutes", n=rest)
    if not rest or hours >= 12:
        return words.say("sheet.hours", n=hours)
    return words.say("sheet.hours_minutes", hours=hours, minutes=rest)


def _collect_sheet(
    inspection: Inspection,
    settings: ReportSettings,
    words: Words,
    area: Area,
    actions: pd.Series,
) -> dict[str, Any] | None:
    """Return one area's page, or None when nothing in it is listed or coated."""
    rows = pick_pits(inspection, area)
    if not (actions[rows] != "leave").any():
        return None
    listed = list_pits(actions, rows)
    rest = rows.difference(listed, sort=False)
    scale = SheetScale.choose(area, len(listed), paper_mm=_PAPER_MM[settings.paper])
    lines = [_collect_line(inspection, row, actions[row], words, settings) for row in listed]
    pages = _split_lines(lines, scale, settings)
    drawn = draw_area(inspection, area, scale, listed=listed, actions=actions, units=settings.units)
    return {
        "number": area.number,
        "place": _say_place(inspection, area, words, settings),
        "fields": _list_fields(inspection, area, words, list_work(inspection, actions)),
        "rest": collect_rest(inspection, rest, words, actions=actions, settings=settings),
        "map": drawn,
        "pages": pages,
        "is_large_type": scale.is_large_type,
        "is_wide": scale.is_wide,
        "row_mm": _stretch_rows(pages, scale, settings),
        "largest": _list_largest(inspection, listed, words, settings),
        "note": _say_listed(actions[rest], len(listed), len(drawn["labels"]), words),
        "true_size": words.say(
            "sheet.legend_true_size", ratio=words.number(1 / scale.mm_per_mm, 1)
        ),
    }


def _say_listed(rest: pd.Series, n_listed: int, n_numbered: int, words: Words) -> str:
    """Return which pits the list holds, in which order, and whether all carry a number on the drawing."""
    note = words.say("sheet.walk")
    if len(rest):
        n, what = n_listed + len(rest), say_rest(rest, words)
        note = words.say("sheet.many", n=n, listed=n_listed, what=what)
    if n_numbered < n_listed:
        note += " " + words.say("sheet.no_room", unnumbered=n_listed - n_numbered)
    return note


def _list_fields(
    inspection: Inspection, area: Area, words: Words, work: dict[str, dict[str, int]]
) -> list[dict[str, str]]:
    return [
        {
            "name": clean_name(field.field),
            "work": say_work(field.action, work.get(str(field.field), {}), words),
            "n_pits": str(int(field.n_pits)),
        }
        for field in touch_fields(inspection, area).itertuples()
    ]


def _say_place(inspection: Inspection, area: Area, words: Words, settings: ReportSettings) -> str:
    height_mm = facts.slab_size_mm(inspection)[1]
    left, right = (_tape(v, settings.units) for v in (area.left_mm, area.right_mm))
    front, back = (_tape(height_mm - v, settings.units) for v in (area.bottom_mm, area.top_mm))
    unit = "" if settings.units == "in" else f" {words.say('sheet.mm')}"
    across = words.say("sheet.area_from_left", low=left, high=right + unit)
    return across + " · " + words.say("sheet.area_from_front", low=front, high=back + unit)


def _tape(length_mm: float, units: str) -> str:
    return format_inches(length_mm) if units == "in" else f"{length_mm:.0f}"


def _collect_line(
    inspection: Inspection, row: Any, action: str, words: Words, settings: ReportSettings
) -> dict[str, Any]:
    pit = inspection.pits.loc[row]
    front_mm = facts.slab_size_mm(inspection)[1] - pit["y_mm"]
    bands = facts.size_bands(inspection)
    band = bands[int(facts.band_index(pit["diameter_mm"], bands))]
    return {
        "no": int(pit["pit_id"]),
        "left_mm": words.number(pit["x_mm"]),
        "front_mm": words.number(front_mm),
        "left_in": format_inches(pit["x_mm"]),
        "front_in": format_inches(front_mm),
        "size": band.short(words, settings.units),
        "do": words.say(f"short_action.{action}"),
        "is_by_hand": action in BY_HAND,
    }


def _list_largest(
    inspection: Inspection, listed: pd.Index, words: Words, settings: ReportSettings
) -> list[dict[str, str]]:
    pits = inspection.pits.loc[listed].sort_values("diameter_mm", ascending=False, kind="stable")
    height_mm = facts.slab_size_mm(inspection)[1]
    return [
        {
            "no": int(pit.pit_id),
            "size": words.size(pit.diameter_mm, settings.units),
            "left": _tape(pit.x_mm, settings.units),
            "front": _tape(height_mm - pit.y_mm, settings.units),
        }
        for pit in pits.head(_LARGEST_LISTED).itertuples()
    ]


def _stretch_rows(pages: list, scale: SheetScale, settings: ReportSettings) -> float:
    """Return the height of a line in mm: taller boxes when the list leaves room below it."""
    if len(pages) > 1:
        return scale.row_mm
    n_lines = max((len(column) for column in pages[0]), default=1)
    return min(_first_page_mm(scale, settings) / max(n_lines, 1), _TALLEST_ROW_MM)


def _first_page_mm(scale: SheetScale, settings: ReportSettings) -> float:
    page = _PAPER_MM[settings.paper][1] - 2 * _MARGIN_MM - _HEAD_MM - _FOOT_MM
    return page - scale.height_mm - _MAP_EXTRA_MM


def _split_lines(
    lines: list[dict[str, Any]], scale: SheetScale, settings: ReportSettings
) -> list[list[list[dict[str, Any]]]]:
    """Return pages of columns of lines: the first page shares its room with the map."""
    height = _PAPER_MM[settings.paper][1] - 2 * _MARGIN_MM - _HEAD_MM - _FOOT_MM
    first = max(int(_first_page_mm(scale, settings) / scale.row_mm), 1)
    later = max(int((height - _MAP_EXTRA_MM / 2) / scale.row_mm), 1)
    n_columns = 1 if scale.is_large_type else 2
    pages: list[list[list[dict[str, Any]]]] = [[[], []]] if scale.is_wide else []
    rest, room = lines, later if scale.is_wide else first
    while rest or not pages:
        here, rest = rest[: room * n_columns], rest[room * n_columns :]
        per_column = math.ceil(len(here) / n_columns) if not rest else room
        pages.append([here[i * per_column : (i + 1) * per_column] for i in range(n_columns)])
        room = later
    return pages


def _name_skipped(sheets: list[dict[str, Any] | None], words: Words) -> str:
    names = [str(number) for number, sheet in enumerate(sheets, start=1) if sheet is None]
    return words.say("sheet.sheets_empty", names=", ".join(names)) if names else ""
