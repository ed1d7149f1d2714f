"""The tone of the face as a map: darker is drawn darker, the figure in each cell is its dE00."""

import math
from dataclasses import replace
from typing import Any

import cv2
import numpy as np

from rakelight.core.records import Inspection
from rakelight.core.settings import ReportSettings
from rakelight.core.units import format_inches

from . import canvas, facts
from .canvas import INK, PAPER, WHITE
from .frame import Sheet, draw_scale_bar, finish, lay_out
from .tone_words import DARK_BELOW, TOP_LEAST, find_hue_letter, pick_colour, say_gap, say_tone

_SIDE_PX = 2000
_WRITTEN_FROM = 1.0
"""Cells from this dE00 carry their figure: just visible on average (colour difference review, read)."""
_BLOTCHES_NAMED = 6


def draw_tone_map(inspection: Inspection, *, settings: ReportSettings | None = None) -> np.ndarray:
    """Return the cells of the face shaded by how far their tone lies from the slab's median.

    Parameters
    ----------
    inspection : Inspection
        The record; only its colour table and figures are used.
    settings : ReportSettings
        Longest side of the picture (2000 px at most here), units, language.

    Returns
    -------
    ndarray
        uint8 (rows, cols, 3), RGB. A cell that was not read is hatched, never shown as even.

    Errors of the answer: those of the colour table. The ramp ends at 3 dE00 or at the farthest
    cell; screens and paper do not show tones truly, the figures do. Source: our choice.
    """
    settings = settings or ReportSettings()
    settings = replace(settings, map_max_side_px=min(settings.map_max_side_px, _SIDE_PX))
    sheet = lay_out(inspection, settings, legend_lines=5)
    is_read = len(inspection.colour.table) > 0
    draw_tone_title(sheet, inspection, sheet.words.say("tone.title"))
    top = _paint_cells(sheet, inspection) if is_read else TOP_LEAST
    if not is_read:
        _hatch_face(sheet)
    else:
        _draw_lines(sheet, inspection)
        _draw_blotches(sheet, inspection)
    _draw_edges(sheet)
    return finish(sheet, _draw_legend(sheet, inspection, top))


def draw_tone_title(sheet: Sheet, inspection: Inspection, title: str) -> None:
    """Write the slab's name, what the picture shows, the verdict and its sentence."""
    unit, left, figures = sheet.unit, 2 * sheet.unit, inspection.colour.figures
    room = sheet.rgb.shape[1] - 2 * left
    name = canvas.fit_text(facts.slab_title(inspection, sheet.words), sheet.font("bold", 2.3), room)
    sheet.text.add(name, (left, 2.6 * unit), sheet.font("bold", 2.3))
    bold, regular = sheet.font("bold", 1.6), sheet.font("regular", 1.3)
    if len(inspection.colour.table):
        title = f"{title}: {sheet.words.say('tone.' + figures.get('verdict', 'cannot_tell'))}"
        note = figures.get("sentence", "")
    else:
        note = sheet.words.say("tone.none")
    sheet.text.add(title, (left, 5.1 * unit), bold)
    start = left + canvas.text_width(title + "   ", bold)
    for i, line in enumerate(canvas.wrap_text(note, regular, sheet.rgb.shape[1] - left - start)[:3]):
        sheet.text.add(line, (start, (5.1 + 1.5 * i) * unit), regular)


def place_cells(table, grid_mm: float, size_mm: tuple[float, float]) -> np.ndarray:
    """Return the box (left, top, right, bottom) in mm of every cell of a colour table.

    Errors of the answer: none for cells of `grid_mm` counted from the top left. Source: definition.
    """
    left, top = (np.floor(table[f"{axis}_mm"].to_numpy() / grid_mm) * grid_mm for axis in "xy")
    return np.c_[left, top, np.minimum(left + grid_mm, size_mm[0]), np.minimum(top + grid_mm, size_mm[1])]


def _paint_cells(sheet: Sheet, inspection: Inspection) -> float:
    """Shade every cell and write the larger figures; return the dE00 at the ends of the ramp."""
    table, figures = inspection.colour.table, inspection.colour.figures
    tones = table[["L", "a", "b"]].to_numpy()
    steps = tones - np.array([figures["median"][name] for name in "Lab"])
    gaps = measure_gaps(tones, figures)
    top = max(TOP_LEAST, float(np.ceil(gaps.max())))
    places = 0.5 + np.where(steps[:, 0] < 0, -0.5, 0.5) * gaps / top
    colours = pick_colour(places)
    _hatch_face(sheet)
    boxes = place_cells(table, figures["grid_mm"], sheet.size_mm)
    for box, colour, place, gap, step in zip(boxes, colours, places, gaps, steps, strict=True):
        (left, right), (up, down) = sheet.to_px(box[[0, 2]], box[[1, 3]])
        sheet.rgb[round(up) : round(down), round(left) : round(right)] = colour
        size = min((right - left) / 2.6, (down - up) / 1.5) / sheet.unit
        if gap >= _WRITTEN_FROM and size * sheet.unit >= 9:
            text = sheet.words.number(gap, 1) + find_hue_letter(step, sheet.words)
            fill = WHITE if place < DARK_BELOW else INK
            font = sheet.font("narrow", min(size, 1.7))
            sheet.text.add(text, ((left + right) / 2, (up + down) / 2), font, fill=fill, anchor="mm")
    return top


def measure_gaps(tones: np.ndarray, figures: dict[str, Any]) -> np.ndarray:
    """Return the dE00 (n,) of tones (n, 3) to the slab's median in the record."""
    from skimage.color import deltaE_ciede2000  # only the tone pictures need it

    middle = np.array([figures["median"][name] for name in "Lab"])
    return deltaE_ciede2000(tones, np.broadcast_to(middle, tones.shape))


def _face_view(sheet: Sheet) -> np.ndarray:
    width, height = sheet.size_px
    return sheet.rgb[sheet.top : sheet.top + height, sheet.left : sheet.left + width]


def _hatch_face(sheet: Sheet) -> None:
    view = _face_view(sheet)
    canvas.hatch(view, np.ones(view.shape[:2], bool), pitch_px=max(round(sheet.unit * 0.8), 6))


def _draw_lines(sheet: Sheet, inspection: Inspection) -> None:
    """Draw each step of tone as a line with a casing, and a chip with its figure."""
    for line in inspection.colour.figures.get("lines", []):
        if line["kind"] != "joint":
            continue
        half = (sheet.size_mm[1] if line["runs"] == "across" else sheet.size_mm[0]) / 2
        lean = math.tan(math.radians(line["lean_deg"])) * half
        ends = np.array([[line["x_mm"] + lean, 0], [line["x_mm"] - lean, 2 * half]])
        if line["runs"] == "along":
            ends = np.array([[0, line["y_mm"] + lean], [2 * half, line["y_mm"] - lean]])
        points = np.column_stack(sheet.to_px(ends[:, 0], ends[:, 1]))
        canvas.draw_outline(sheet.rgb, points, colour=WHITE, width_px=max(round(sheet.unit / 7), 2), closed=False)
        text = sheet.words.say("tone.joint", gap=say_gap(line["dE00"], sheet.words))
        at = points[0] + [0.8 * sheet.unit, 1.4 * sheet.unit]
        sheet.text.add(text, tuple(at), sheet.font("bold", 1.3), fill=INK, halo=PAPER)


def _draw_blotches(sheet: Sheet, inspection: Inspection) -> None:
    for letter, blotch in zip("ABCDEF", inspection.colour.figures.get("blotches", []), strict=False):
        x, y = (float(v) for v in sheet.to_px(blotch["x_mm"], blotch["y_mm"]))
        half = [max(blotch[side] / 2 * sheet.px_per_mm, sheet.unit) for side in ("width_mm", "height_mm")]
        turn = np.linspace(0, 2 * np.pi, 60)
        ring = np.c_[x - sheet.left + half[0] * np.cos(turn), y - sheet.top + half[1] * np.sin(turn)]
        canvas.draw_outline(_face_view(sheet), ring, colour=WHITE, width_px=max(round(sheet.unit / 9), 2))
        place = (min(x + half[0] + 0.4 * sheet.unit, sheet.left + sheet.size_px[0] - 2 * sheet.unit), y)
        sheet.text.add(letter, place, sheet.font("bold", 1.8), fill=INK, halo=PAPER)


def _draw_edges(sheet: Sheet) -> None:
    width, height = sheet.size_px
    cv2.rectangle(
        sheet.rgb, (sheet.left - 1, sheet.top - 1), (sheet.left + width, sheet.top + height), INK, 2
    )
    draw_places(sheet, sheet.top + height)
    y = sheet.top + height + 3.4 * sheet.unit
    sheet.text.add(sheet.words.say("map.front"), (sheet.left, y), sheet.font("bold", 1.2))


def draw_places(sheet: Sheet, y: float) -> None:
    """Draw marks along a line at `y` px with their distance from the left edge."""
    written_mm, bare_mm = canvas.ruler_step_mm(sheet.size_mm[0], sheet.units)
    for i in range(int(sheet.size_mm[0] / bare_mm + 1e-6) + 1):
        x, is_written = sheet.left + i * bare_mm * sheet.px_per_mm, i % round(written_mm / bare_mm) == 0
        reach = (0.8 if is_written else 0.45) * sheet.unit
        cv2.line(sheet.rgb, (round(x), round(y)), (round(x), round(y + reach)), INK, 2)
        if is_written:
            name = format_inches(i * bare_mm) if sheet.units == "in" else f"{i * bare_mm:.0f}"
            sheet.text.add(name, (x, y + 1.55 * sheet.unit), sheet.font("narrow", 1.15), anchor="mm")


def _draw_legend(sheet: Sheet, inspection: Inspection, top: float) -> float:
    words, unit = sheet.words, sheet.unit
    y, left, length = sheet.top + sheet.size_px[1] + 6.2 * unit, 2 * unit, 30 * unit
    steps = np.linspace(0, 1, round(length))
    rows = slice(round(y - 0.8 * unit), round(y + 0.8 * unit))
    sheet.rgb[rows, round(left) : round(left) + len(steps)] = pick_colour(steps)
    font = sheet.font("regular", 1.3)
    for place, anchor in ((0.0, "lm"), (0.25, "mm"), (0.5, "mm"), (0.75, "mm"), (1.0, "rm")):
        name = words.number(abs(place - 0.5) * 2 * top, 1)
        sheet.text.add(name, (left + place * length, y + 1.6 * unit), font, anchor=anchor)
    sheet.text.add(words.say("tone.darker"), (left + 0.6 * unit, y), sheet.font("bold", 1.3), fill=WHITE)
    sheet.text.add(words.say("tone.lighter"), (left + length - 0.6 * unit, y), sheet.font("bold", 1.3), anchor="rm")
    x, right = left + length + 1.5 * unit, sheet.rgb.shape[1] - left
    notes = [words.say("tone.scale"), words.say("tone.hue")]
    if inspection.colour.figures.get("grey") == "none":
        notes.append(words.say("tone.relative"))
    y_note = y
    for note in notes:
        for line in canvas.wrap_text(note, font, right - x):
            sheet.text.add(line, (x, y_note), font, fill=INK)
            y_note += 1.6 * unit
    y = max(y + 3.8 * unit, y_note + 0.6 * unit)
    y = _list_blotches(sheet, inspection, y)
    return draw_scale_bar(sheet, y + 1.0 * unit, note=_say_pitches(inspection, sheet))


def _say_pitches(inspection: Inspection, sheet: Sheet) -> str:
    lines = inspection.colour.figures.get("lines", [])
    pitches = [line["pitch_mm"] for line in lines if line["kind"] == "pitch"]
    length = sheet.words.length
    return "  ".join(sheet.words.say("tone.pitch", pitch=length(p, sheet.units)) for p in pitches)


def _list_blotches(sheet: Sheet, inspection: Inspection, y: float) -> float:
    """Write one line per named blotch, three to a row; return the px below them."""
    words, unit = sheet.words, sheet.unit
    blotches = inspection.colour.figures.get("blotches", [])
    texts = [
        words.say(
            "tone.blotch", name=letter, words=say_tone(blotch["words"], words),
            gap=say_gap(blotch["dE00"], words), width=words.length(blotch["width_mm"], sheet.units),
            height=words.length(blotch["height_mm"], sheet.units),
        )
        for letter, blotch in zip("ABCDEF", blotches, strict=False)
    ]
    if len(blotches) > _BLOTCHES_NAMED:
        texts.append(words.say("tone.more", n=len(blotches) - _BLOTCHES_NAMED))
    font, left = sheet.font("regular", 1.3), 2 * unit
    n_across = 3 if sheet.rgb.shape[1] > 90 * unit else 2
    step = (sheet.rgb.shape[1] - 2 * left) / n_across
    for i, text in enumerate(texts):
        at = (left + (i % n_across) * step, y + (i // n_across) * 1.7 * unit)
        sheet.text.add(canvas.fit_text(text, font, step - unit), at, font)
    n_rows = math.ceil(len(texts) / n_across)
    return y + n_rows * 1.7 * unit + (0.6 * unit if texts else 0)
