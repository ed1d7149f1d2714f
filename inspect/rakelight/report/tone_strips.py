"""The tone along the length of the face: three strips as they are, lightness and warmth as lines."""

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pandas as pd

from rakelight.core.records import Inspection
from rakelight.core.settings import ReportSettings

from . import canvas
from .canvas import INK, MUTED, PAPER
from .frame import Sheet, finish, lay_out
from .tone_map import draw_places, draw_tone_title, place_cells
from .tone_words import say_tone

_SIDE_PX = 2000
_SPAN_LEAST = 3.0
"""Least half span of the lines in L* and b*: a nearly even face must look nearly even."""
_LINE, _BAND = (0, 62, 125), (198, 212, 226)
_PANEL_UNITS, _SWATCH_UNITS = 11.0, 2.6


def draw_tone_strips(inspection: Inspection, *, settings: ReportSettings | None = None) -> np.ndarray:
    """Return the tone along the length: swatches of back, middle and front, and two lines.

    Parameters
    ----------
    inspection : Inspection
        The record; only its colour table and figures are used.
    settings : ReportSettings
        Longest side of the picture (2000 px at most here), units, language.

    Returns
    -------
    ndarray
        uint8 (rows, cols, 3), RGB.

    Errors of the answer: those of the colour table; swatches are as true as the screen or the
    paper. Source: our choice.
    """
    settings = settings or ReportSettings()
    settings = replace(settings, map_max_side_px=min(settings.map_max_side_px, _SIDE_PX))
    sheet = _open_sheet(inspection, settings)
    draw_tone_title(sheet, inspection, sheet.words.say("tone.strips"))
    if not len(inspection.colour.table):
        return finish(sheet, sheet.top)
    y = _draw_swatches(sheet, inspection, sheet.top)
    y = _draw_panel(sheet, inspection, "L", y + 3.2 * sheet.unit)
    y = _draw_panel(sheet, inspection, "b", y + 3.2 * sheet.unit)
    draw_places(sheet, y)
    return finish(sheet, _write_notes(sheet, inspection, y + 4.0 * sheet.unit))


def _open_sheet(inspection: Inspection, settings: ReportSettings) -> Sheet:
    """Return a picture whose length is the face's and whose height the strips need."""
    sheet = lay_out(inspection, settings, legend_lines=2)
    unit = sheet.unit
    left, right = round(9 * unit), round(2.5 * unit)
    width_px = sheet.rgb.shape[1] - left - right
    rows = round(10 * unit + 3 * (_SWATCH_UNITS + 0.3) * unit + 2 * (_PANEL_UNITS + 3.2) * unit + 14 * unit)
    rgb = np.full((rows, sheet.rgb.shape[1], 3), PAPER, np.uint8)
    scale = width_px / sheet.size_mm[0]
    return replace(sheet, rgb=rgb, left=left, px_per_mm=scale, top=round(9.6 * unit))


def _draw_swatches(sheet: Sheet, inspection: Inspection, y: float) -> float:
    """Draw the cells of the back, middle and front third in their own colour; return the px below."""
    table, grid_mm = inspection.colour.table, inspection.colour.figures["grid_mm"]
    third = np.clip((table["y_mm"] / sheet.size_mm[1] * 3).astype(int), 0, 2)
    for k, name in enumerate(("back", "middle", "front")):
        rows = (round(y), round(y + _SWATCH_UNITS * sheet.unit))
        cells = summarise_places(table[third == k])
        for left, _, right, _ in place_cells(cells.assign(y_mm=0.0), grid_mm, sheet.size_mm):
            inside = (cells["x_mm"] > left) & (cells["x_mm"] < right)
            colour = lab_to_rgb(cells.loc[inside, ["L", "a", "b"]].to_numpy()[0])
            start, end = (round(sheet.left + edge * sheet.px_per_mm) for edge in (left, right))
            sheet.rgb[rows[0] : rows[1], start:end] = colour
        at = (sheet.left - 0.8 * sheet.unit, sum(rows) / 2)
        sheet.text.add(sheet.words.say(f"tone.{name}"), at, sheet.font("regular", 1.2), anchor="rm")
        y = rows[1] + 0.3 * sheet.unit
    return y


def summarise_places(table: pd.DataFrame) -> pd.DataFrame:
    """Return the median tone of the cells at each x, with the middle half of L* and b*.

    Columns x_mm, L, a, b, L_low, L_high, b_low, b_high, from left to right.

    Errors of the answer: those of the table. Source: our choice.
    """
    grouped = table.groupby(table["x_mm"].round(1))
    places = grouped[["L", "a", "b"]].median()
    for name in "Lb":
        places[f"{name}_low"] = grouped[name].quantile(0.25)
        places[f"{name}_high"] = grouped[name].quantile(0.75)
    return places.reset_index()


def lab_to_rgb(lab: np.ndarray) -> np.ndarray:
    """Return the sRGB colour (3,) uint8 of a tone.

    Errors of the answer: half a code. Source: CIE 15 as coded in OpenCV.
    """
    rgb = cv2.cvtColor(np.float32([[lab]]), cv2.COLOR_Lab2RGB)[0, 0]
    return np.clip(rgb * 255 + 0.5, 0, 255).astype(np.uint8)


def _draw_panel(sheet: Sheet, inspection: Inspection, name: str, y: float) -> float:
    """Draw one line with its band against the places along the face; return the px below."""
    places, unit = summarise_places(inspection.colour.table), sheet.unit
    middle = inspection.colour.figures["median"][name]
    reach = np.abs(places[[f"{name}_low", f"{name}_high"]].to_numpy() - middle).max()
    span = max(_SPAN_LEAST, 1.1 * float(reach))
    top, height = y + 1.6 * unit, (_PANEL_UNITS - 1.6) * unit
    title = sheet.words.say("tone.lightness" if name == "L" else "tone.warmth")
    sheet.text.add(title, (sheet.left, y + 0.2 * unit), sheet.font("bold", 1.3))

    def to_row(value: Any) -> np.ndarray:
        return top + (1 - (np.asarray(value) - middle + span) / (2 * span)) * height

    x = sheet.left + places["x_mm"].to_numpy() * sheet.px_per_mm
    band = np.r_[np.c_[x, to_row(places[f"{name}_low"])], np.c_[x, to_row(places[f"{name}_high"])][::-1]]
    cv2.fillPoly(sheet.rgb, [np.round(band).astype(np.int32)], _BAND, cv2.LINE_AA)
    _draw_scale(sheet, name, middle, span, to_row)
    line = [np.round(np.c_[x, to_row(places[name])] * 16).astype(np.int32)]
    cv2.polylines(sheet.rgb, line, False, _LINE, max(round(unit / 5), 2), cv2.LINE_AA, 4)
    return top + height


def _draw_scale(sheet: Sheet, name: str, middle: float, span: float, to_row) -> None:
    unit, words = sheet.unit, sheet.words
    width = round(sheet.size_mm[0] * sheet.px_per_mm)
    upper, lower = ("lighter", "darker") if name == "L" else ("warmer", "cooler")
    font = sheet.font("narrow", 1.15)
    step = 1 if span <= 4 else 2 if span <= 8 else 5
    for value in np.arange(-np.floor(span / step) * step, span + 0.01, step):
        row = round(float(to_row(middle + value)))
        shade = MUTED if value == 0 else (222, 223, 226)
        cv2.line(sheet.rgb, (sheet.left, row), (sheet.left + width, row), shade, 2 if value == 0 else 1)
        sheet.text.add(words.number(middle + value, 1), (sheet.left - 0.8 * unit, row), font, anchor="rm")
    for word, at in ((upper, middle + span), (lower, middle - span)):
        row = float(to_row(at)) + (0.9 if word == upper else -0.9) * unit
        place = (sheet.left - 4.2 * unit, row)
        sheet.text.add(words.say(f"tone.{word}"), place, sheet.font("regular", 1.1), fill=MUTED, anchor="rm")


def _write_notes(sheet: Sheet, inspection: Inspection, y: float) -> float:
    words, font = sheet.words, sheet.font("regular", 1.3)
    notes = [_say_drift(d, words) for d in inspection.colour.figures["drift"] if d["from"] == "left"]
    notes.append(words.say("tone.band"))
    if inspection.colour.figures["grey"] == "none":
        notes.append(words.say("tone.relative"))
    for i, note in enumerate(notes):
        for line in canvas.wrap_text(note, font, sheet.rgb.shape[1] - 4 * sheet.unit):
            sheet.text.add(line, (2 * sheet.unit, y), font, fill=INK if i == 0 else MUTED)
            y += 1.7 * sheet.unit
    return y - 1.0 * sheet.unit


def _say_drift(drift: dict[str, Any], words) -> str:
    numbers = {
        "gap": words.number(drift["dE00"], 1), "low": words.number(drift["low"], 1),
        "high": words.number(drift["high"], 1),
    }
    if not drift["is_separated"]:
        return words.say("tone.drift_unknown")
    if drift["verdict"] == "even":
        return words.say("tone.drift_even", **numbers)
    return words.say("tone.drift", words=say_tone(drift["words"], words), **numbers)
