"""The frame of every picture: title, lamp, rulers from the front left corner, scale bar."""

import math
from dataclasses import dataclass

import cv2
import numpy as np

from rakelight.core.records import Inspection
from rakelight.core.settings import ReportSettings
from rakelight.core.units import format_inches

from . import canvas, facts
from .canvas import INK, MUTED, PAPER, WHITE
from .words import Words, load_words

_UPSCALE_MAX = 2.0
_SPARE_LINES = 5
_LAST_MARK_SHARE = 0.02  # a map a pixel short of a round length keeps its last mark


@dataclass(frozen=True, slots=True)
class Sheet:
    """Where the face lies on the picture; all type and signs are so many `unit` px large."""

    rgb: np.ndarray
    text: canvas.TextLayer
    unit: float
    left: int
    top: int
    px_per_mm: float
    size_mm: tuple[float, float]
    units: str
    words: Words

    def to_px(self, x_mm, y_mm):
        """Return picture (x, y) of a place on the slab."""
        return self.left + np.asarray(x_mm) * self.px_per_mm, self.top + np.asarray(
            y_mm
        ) * self.px_per_mm

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height of the face on the picture."""
        return (
            max(round(self.size_mm[0] * self.px_per_mm), 1),
            max(round(self.size_mm[1] * self.px_per_mm), 1),
        )

    def font(self, face: str, size: float):
        """Return a font whose size is given in units."""
        return canvas.load_font(face, round(size * self.unit))


def lay_out(
    inspection: Inspection,
    settings: ReportSettings,
    *,
    legend_lines: int,
    room: tuple[float, float] | None = None,
) -> Sheet:
    """Return an empty picture with room for title, face, rulers and so many legend lines.

    room : width and height of the place on a page, in units, for a picture that goes there without a
    title of its own; None for a picture that stands by itself, 100 units at most each way.
    """
    words = load_words(settings.language)
    width_mm, height_mm = facts.slab_size_mm(inspection)
    has_head = room is None
    wide, high = room or (100.0, 100.0)
    unit = settings.map_max_side_px / max(wide, high)
    margin_left, margin_right = 5 * unit, 2 * unit
    head = (8.4 if width_mm > height_mm else 10.2) * unit if has_head else 1.2 * unit
    foot = (5.5 + 3.2 * legend_lines) * unit
    native = _UPSCALE_MAX / inspection.face.mm_per_px
    px_per_mm = min(
        (wide * unit - margin_left - margin_right) / width_mm,
        (high * unit - head - foot) / height_mm,
        native,
    )
    width, height = round(width_mm * px_per_mm), round(height_mm * px_per_mm)
    page_width = round(max(width + margin_left + margin_right, (78 if has_head else wide) * unit))
    left = round(margin_left + (page_width - margin_left - margin_right - width) / 2)
    # Spare rows below for legends that need another line; `finish` cuts what stays white.
    rows = round(head + height + foot + _SPARE_LINES * 3.2 * unit)
    rgb = np.full((rows, page_width, 3), PAPER, np.uint8)
    return Sheet(
        rgb=rgb, text=canvas.TextLayer(), unit=unit, left=left, top=round(head),
        px_per_mm=px_per_mm, size_mm=(width_mm, height_mm), units=settings.units, words=words,
    )  # fmt: skip


def draw_frame(sheet: Sheet, inspection: Inspection, *, headline: str | None) -> None:
    """Draw all that stands around the face; `headline` starts the second line, None = no title."""
    if headline is None:
        middle = (sheet.top + sheet.size_px[1]) / sheet.unit + 4
        room_px = _draw_lamp(sheet, inspection, middle=middle, has_day=False)
    else:
        room_px = _draw_lamp(sheet, inspection, middle=4.6)
        _draw_title(sheet, inspection, headline, room_px=room_px)
    width, height = sheet.size_px
    corner = (sheet.left - 1, sheet.top - 1)
    cv2.rectangle(sheet.rgb, corner, (sheet.left + width, sheet.top + height), INK, 2)
    _draw_ruler(sheet, along=True)
    _draw_ruler(sheet, along=False)
    font, y = sheet.font("bold", 1.2), sheet.top + height + 3.6 * sheet.unit
    name = sheet.words.say("map.front")
    sheet.text.add(name, (sheet.left, y), font)
    at = (sheet.left + canvas.text_width(name, font) + 1.0 * sheet.unit, y)
    note, regular = sheet.words.say("map.front_left"), sheet.font("regular", 1.2)
    if headline is not None or at[0] + canvas.text_width(note, regular) < room_px:
        sheet.text.add(note, at, regular, fill=MUTED)


def _draw_lamp(
    sheet: Sheet, inspection: Inspection, *, middle: float, has_day: bool = True
) -> float:
    """Draw the lamp's side and the day at the right; return where their room begins, in px.

    A page that carries its own title says the day there. `middle` is the height of their middle in units from the top.
    """
    unit, right = sheet.unit, sheet.rgb.shape[1] - 2 * sheet.unit
    lamp = facts.describe_lamp(inspection.lamp, facts.slab_size_mm(inspection), sheet.words)
    bold, regular = sheet.font("bold", 1.35), sheet.font("regular", 1.3)
    x = right - canvas.text_width(lamp, bold) - 3.4 * unit
    from_deg, _ = facts.lamp_at_centre(inspection.lamp, facts.slab_size_mm(inspection))
    canvas.draw_lamp_arrow(sheet.rgb, (x, (middle - 0.2) * unit), 1.7 * unit, from_deg)
    sheet.text.add(lamp, (right, (middle - (0.9 if has_day else 0.2)) * unit), bold, anchor="rm")
    if not has_day:
        return x - 3.5 * unit
    day = facts.photo_day(inspection) or sheet.words.say("map.undated")
    sheet.text.add(day, (right, (middle + 0.9) * unit), regular, fill=MUTED, anchor="rm")
    return x - 3.5 * unit


def _draw_title(sheet: Sheet, inspection: Inspection, headline: str, *, room_px: float) -> None:
    unit, left = sheet.unit, 2 * sheet.unit
    large, bold, regular = (
        sheet.font("bold", 2.3), sheet.font("bold", 1.6), sheet.font("regular", 1.4),
    )  # fmt: skip
    title = canvas.fit_text(facts.slab_title(inspection, sheet.words), large, room_px - left)
    sheet.text.add(title, (left, 2.6 * unit), large)
    sheet.text.add(headline, (left, 5.1 * unit), bold)
    start = left + canvas.text_width(headline + "  ", bold)
    lines = canvas.wrap_text(honest_line(inspection, sheet), regular, room_px - start)
    for i, line in enumerate(lines[:3]):
        sheet.text.add(line, (start, (5.1 + 1.7 * i) * unit), regular)


def honest_line(inspection: Inspection, sheet: Sheet) -> str:
    """Return the sentence that says what the picture can and cannot show."""
    smallest = facts.smallest_counted_mm(inspection)
    if not math.isfinite(smallest):
        return sheet.words.say("map.honest_unknown")
    size = sheet.words.size(smallest, sheet.units)
    return sheet.words.say("map.honest", smallest=size)


def _draw_ruler(sheet: Sheet, *, along: bool) -> None:
    """Draw marks along the front edge (from the left) or up the left edge (from the front)."""
    height = sheet.size_px[1]
    length_mm = sheet.size_mm[0 if along else 1]
    written_mm, bare_mm = canvas.ruler_step_mm(length_mm, sheet.units)
    font = sheet.font("narrow", 1.15)
    for i in range(int(length_mm / bare_mm + _LAST_MARK_SHARE) + 1):
        place_mm = min(i * bare_mm, length_mm)
        is_written = i % round(written_mm / bare_mm) == 0
        reach = (0.8 if is_written else 0.45) * sheet.unit
        x = sheet.left + place_mm * sheet.px_per_mm if along else sheet.left - 1
        y = sheet.top + height - (0 if along else place_mm * sheet.px_per_mm)
        end = (x, y + reach) if along else (x - reach, y)
        cv2.line(sheet.rgb, (round(x), round(y)), (round(end[0]), round(end[1])), INK, 2)
        if is_written:
            name = format_inches(i * bare_mm) if sheet.units == "in" else f"{i * bare_mm:.0f}"
            at = (x, y + 1.55 * sheet.unit) if along else (x - 1.0 * sheet.unit, y)
            sheet.text.add(name, at, font, anchor="mm" if along else "rm")


def finish(sheet: Sheet, bottom_px: float) -> np.ndarray:
    """Return the picture with its text, cut below the last line drawn."""
    return sheet.text.draw(sheet.rgb[: round(bottom_px + 1.6 * sheet.unit)])


def draw_scale_bar(sheet: Sheet, y: float, *, note: str) -> float:
    """Draw a scale bar with a note beside it, `y` its middle in px; return the lowest px used."""
    unit, left = sheet.unit, 2 * sheet.unit
    length_mm, name = canvas.scale_bar_mm(sheet.size_mm[0], sheet.units)
    length, height = length_mm * sheet.px_per_mm, 0.6 * unit
    for part in range(4):
        start, end = left + length * part / 4, left + length * (part + 1) / 4
        corner = (round(start), round(y - height / 2)), (round(end), round(y + height / 2))
        cv2.rectangle(sheet.rgb, *corner, INK if part % 2 == 0 else WHITE, -1)
        cv2.rectangle(sheet.rgb, *corner, INK, 1)
    sheet.text.add(name, (left + length + 0.8 * unit, y), sheet.font("bold", 1.3))
    right = sheet.rgb.shape[1] - 2 * unit
    start = left + length + 2 * unit + canvas.text_width(name + "   ", sheet.font("bold", 1.3))
    lines = canvas.wrap_text(note, sheet.font("regular", 1.2), right - start)
    for i, line in enumerate(lines):
        sheet.text.add(line, (start, y + 1.5 * i * unit), sheet.font("regular", 1.2), fill=MUTED)
    return y + 1.5 * max(len(lines) - 1, 0) * unit
