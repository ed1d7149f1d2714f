"""The annotated map of the face and the heat map of its fields, as pictures.

Both read in grey and by colour-blind people: the size of a pit is told by the form of its
sign (thin ring, outline, double outline, outline with ticks), the colour only repeats it.
"""

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
import pandas as pd

from rakelight.core.records import Inspection
from rakelight.core.settings import ReportSettings
from rakelight.core.units import MM2_PER_FT2, MM2_PER_M2

from . import canvas, facts
from .canvas import INK, MUTED, PAPER, WHITE
from .crowds import draw_crowds, write_names
from .fields import place_fields
from .frame import Sheet, draw_frame, draw_scale_bar, finish, lay_out
from .labels import place_labels

# Ours: pale, yellow, orange, deep red on a grey photo; each with a dark casing.
BAND_COLOURS = ((226, 236, 255), (255, 222, 66), (255, 150, 30), (255, 96, 84))
_OUTLINE_FROM_PX = 9.0
_CROWDED_FROM = 150
_SMALLEST_SIGN = 0.6
_GRID_BLEND = 0.42
_ALL_NUMBERED_UP_TO = 80
_HEAT_SIDE_PX = 1600
_MARKS_DRAWN = 80
_MARK_SPACING = 4.0  # units of the picture
_HEAT_TOP_MIN = 20.0  # per m2: a nearly clean face must not look alarming
_DARK_FROM = 0.3  # share of the ramp from which pale text reads better
# Even steps of lightness (L* about 95, 82, 65, 46, 27, 16), so that it orders in grey too.
_RAMP = (
    (248, 243, 228), (222, 204, 158), (163, 160, 148), (94, 112, 141), (40, 66, 112), (18, 38, 76),
)  # fmt: skip


def draw_map(inspection: Inspection, *, settings: ReportSettings | None = None) -> np.ndarray:
    """Return the face with every pit ringed and the larger ones numbered.

    Parameters
    ----------
    inspection : Inspection
        The record; nothing in it is changed.
    settings : ReportSettings
        Longest side of the picture, units, language.

    Returns
    -------
    ndarray
        uint8 (rows, cols, 3), RGB.

    Errors of the answer: places are drawn to a pixel of the picture; rings of small pits are
    larger than the pit so that the pit itself stays visible. Source: our choice.
    """
    settings = settings or ReportSettings()
    return _compose_map(inspection, settings)


def draw_face(
    inspection: Inspection,
    *,
    settings: ReportSettings | None = None,
    room: tuple[float, float] = (80.0, 80.0),
) -> np.ndarray:
    """Return the same map without its title strip, for a place on a page that carries its own title.

    room : width and height of that place in units; the smallest type is 1.15 units.
    """
    return _compose_map(inspection, settings or ReportSettings(), room=room)


def _compose_map(
    inspection: Inspection, settings: ReportSettings, *, room: tuple[float, float] | None = None
) -> np.ndarray:
    n_lines, has_head = _legend_lines(inspection, of_map=True) + (room is not None), room is None
    sheet = lay_out(inspection, settings, legend_lines=n_lines, room=room)
    paste_face(sheet, inspection)
    _draw_fields(sheet, inspection)
    draw_crowds(sheet, inspection)
    _draw_marks(sheet, inspection)
    signs = _draw_pits(sheet, inspection)
    signs = np.vstack([signs, _chip_places(sheet, inspection)])
    signs = np.vstack([signs, write_names(sheet, inspection, signs)])
    _number_pits(sheet, inspection, signs, from_band=1 if has_head else 2)
    n_pits = facts.count_pits(inspection).n_pits
    headline = sheet.words.count_pits(n_pits)
    if (doubt := facts.name_doubt(inspection)) in ("retake", "lamp_side"):
        headline = f"{sheet.words.say(f'map.{doubt}')} · {headline}"
    draw_frame(sheet, inspection, headline=headline if has_head else None)
    return finish(sheet, _draw_map_legend(sheet, inspection))


def draw_heat(inspection: Inspection, *, settings: ReportSettings | None = None) -> np.ndarray:
    """Return the fields of the face shaded by pits per area, each with its figure.

    Parameters
    ----------
    inspection : Inspection
        The record; `plan.fields` says what the fields are.
    settings : ReportSettings
        Longest side of the picture (1600 px at most here), units, language.

    Returns
    -------
    ndarray
        uint8 (rows, cols, 3), RGB. The darker, the more, in grey as well; a field
        that no photo shows is hatched, never shown as zero.

    Errors of the answer: those of the counts; a field seen in part is scaled to its seen part.
    Source: a ramp of even lightness that colour-blind people can order; our choice.
    """
    settings = settings or ReportSettings()
    settings = replace(settings, map_max_side_px=min(settings.map_max_side_px, _HEAT_SIDE_PX))
    sheet = lay_out(inspection, settings, legend_lines=_legend_lines(inspection, of_map=False))
    area = sheet.words.say("heat.per_ft2" if settings.units == "in" else "heat.per_m2")
    most = _paint_fields(sheet, inspection)
    draw_crowds(sheet, inspection)
    _write_fields(sheet, inspection, most)
    write_names(sheet, inspection, _figure_places(sheet, inspection))
    draw_frame(sheet, inspection, headline=sheet.words.say("heat.title", area=area))
    return finish(sheet, _draw_heat_legend(sheet, inspection, most, area))


def _legend_lines(inspection: Inspection, *, of_map: bool) -> int:
    if not of_map:
        return 2
    return 2 if inspection.face.size_mm[0] >= inspection.face.size_mm[1] else 4


def face_view(sheet: Sheet) -> np.ndarray:
    width, height = sheet.size_px
    return sheet.rgb[sheet.top : sheet.top + height, sheet.left : sheet.left + width]


def paste_face(sheet: Sheet, inspection: Inspection) -> None:
    face, view = inspection.face, face_view(sheet)
    size = (view.shape[1], view.shape[0])
    shrinks = size[0] < face.rgb.shape[1]
    how = cv2.INTER_AREA if shrinks else cv2.INTER_CUBIC
    grey = cv2.resize(_grey_face(face.rgb, size), size, interpolation=how)
    seen = cv2.resize(face.seen.view(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    view[:] = _even_tones(grey, seen)[..., None]
    canvas.hatch(view, ~seen, pitch_px=max(round(sheet.unit * 0.55), 6))
    edge = cv2.morphologyEx(seen.view(np.uint8), cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
    view[edge > 0] = INK


def _grey_face(rgb: np.ndarray, size_px: tuple[int, int]) -> np.ndarray:
    """Return the face in grey; when it is many times too large, made smaller strip by strip first."""
    factor = min(rgb.shape[0] // size_px[1], rgb.shape[1] // size_px[0]) // 2
    if factor < 2:
        return cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    rows, cols = -(-rgb.shape[0] // factor), -(-rgb.shape[1] // factor)
    grey, step = np.empty((rows, cols), np.uint8), 64
    for top in range(0, rows, step):
        strip = cv2.cvtColor(rgb[top * factor : (top + step) * factor], cv2.COLOR_RGB2GRAY)
        part = grey[top : top + step]
        cv2.resize(strip, (cols, len(part)), dst=part, interpolation=cv2.INTER_AREA)
    return grey


def _even_tones(grey: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """Return the grey face stretched to a middle range; 5 tones apart, so that it packs well."""
    sample = grey[::4, ::4][seen[::4, ::4]]
    low, high = np.percentile(sample, (0.5, 99.5)) if sample.size else (0, 255)
    table = np.clip((np.arange(256) - low) / max(high - low, 60.0), 0, 1) * 170 + 45
    return cv2.LUT(grey, (np.round(table / 4) * 4).astype(np.uint8))


def _draw_fields(sheet: Sheet, inspection: Inspection) -> None:
    fields, view = place_fields(inspection), face_view(sheet)
    font = sheet.font("narrow_bold", 1.15)
    thick = max(round(sheet.unit / 20), 1)
    for field in fields.itertuples():
        x, y = (v * sheet.px_per_mm for v in (field.x_mm, field.y_mm))
        w, h = (v * sheet.px_per_mm for v in (field.width_mm, field.height_mm))
        if x > 1:
            _lighten(view, slice(round(y), round(y + h)), slice(round(x), round(x) + thick))
        if y > 1:
            _lighten(view, slice(round(y), round(y) + thick), slice(round(x), round(x + w)))
        if min(w, h) > 2.2 * sheet.unit:
            _draw_chip(sheet, str(field.field), (sheet.left + x, sheet.top + y + h), font)


def _chip_places(sheet: Sheet, inspection: Inspection) -> np.ndarray:
    fields, reach = place_fields(inspection), 1.0 * sheet.unit
    x_px, y_px = sheet.to_px(fields["x_mm"], fields["y_mm"] + fields["height_mm"])
    return np.c_[x_px + reach, y_px - 0.7 * reach, np.full(len(fields), reach)]


def _draw_chip(sheet: Sheet, name: str, corner, font) -> None:
    """Write a field's name dark on pale in its front left corner, unlike any pit number."""
    x, y = round(corner[0]), round(corner[1])
    width, height = round(canvas.text_width(name, font) + 0.7 * sheet.unit), round(1.5 * sheet.unit)
    patch = sheet.rgb[y - height : y, x : x + width]
    patch[:] = (patch * 0.25 + 235 * 0.75).astype(np.uint8)
    sheet.text.add(name, (x + width / 2, y - height / 2), font, anchor="mm")


def _lighten(view: np.ndarray, rows: slice, cols: slice) -> None:
    patch = view[rows, cols]
    patch[:] = (patch * (1 - _GRID_BLEND) + 255 * _GRID_BLEND).astype(np.uint8)


def _draw_marks(sheet: Sheet, inspection: Inspection) -> None:
    marks = choose_marks(inspection, spacing_mm=_MARK_SPACING * sheet.unit / sheet.px_per_mm)
    x_px, y_px = sheet.to_px(marks["x_mm"], marks["y_mm"])
    half = (marks["length_mm"].fillna(0) / 2 * sheet.px_per_mm).clip(
        0.45 * sheet.unit, 2.5 * sheet.unit
    )
    for x, y, side in zip(x_px, y_px, half, strict=True):
        canvas.draw_square(sheet.rgb, (x, y), side, dash_px=max(round(sheet.unit / 6), 3))


def choose_marks(inspection: Inspection, *, spacing_mm: float) -> pd.DataFrame:
    """Return the marks worth a sign: as large as a pit that counts, no grain, one per place.

    A face carries thousands of grains and scratches that nobody would fill; a sign on each
    would hide the pits. The rest stays in marks.csv.
    """
    smallest = np.nan_to_num(facts.smallest_counted_mm(inspection))
    marks = inspection.marks
    marks = marks[(marks["kind"] != "grain") & (marks["length_mm"] >= smallest)]
    marks = marks.sort_values("length_mm", ascending=False, kind="stable")
    cells = marks[["x_mm", "y_mm"]] // spacing_mm
    return marks[~cells.duplicated()].head(_MARKS_DRAWN)


def _draw_pits(sheet: Sheet, inspection: Inspection) -> np.ndarray:
    """Draw all pits, small ones first; return (x, y, reach) in px of every sign."""
    pits = inspection.pits
    x_px, y_px = sheet.to_px(pits["x_mm"], pits["y_mm"])
    radius = pits["diameter_mm"].fillna(0).to_numpy() / 2 * sheet.px_per_mm
    bands = facts.band_index(pits["diameter_mm"], facts.size_bands(inspection))
    has_outline = len(inspection.outlines_mm) == len(pits)
    reach = np.zeros(len(pits))
    size = sheet.unit * np.clip(math.sqrt(_CROWDED_FROM / max(len(pits), 1)), _SMALLEST_SIGN, 1)
    for i in np.argsort(radius, kind="stable"):
        outline = inspection.outlines_mm[i] if has_outline else None
        sign = _PitSign((x_px[i], y_px[i]), radius[i], int(bands[i]), size, outline)
        reach[i] = _draw_pit(sheet, sign)
    return np.c_[x_px, y_px, reach]


@dataclass(frozen=True, slots=True)
class _PitSign:
    """One pit to draw: its place and radius in px, its band, the sign's size, its outline in mm."""

    at: tuple[float, float]
    radius_px: float
    band: int
    size_px: float
    outline: np.ndarray | None = None


def _draw_pit(sheet: Sheet, sign: _PitSign) -> float:
    """Draw one pit and return how far its sign reaches from the middle, in px."""
    colour, thin = BAND_COLOURS[sign.band], max(round(sheet.unit / 12), 1)
    gap = 0.22 * sign.size_px
    ring = max(sign.radius_px, 0.12 * sign.size_px) + gap
    if sign.outline is not None and sign.radius_px >= _OUTLINE_FROM_PX:
        points = np.column_stack(sheet.to_px(sign.outline[:, 0], sign.outline[:, 1]))
        canvas.draw_outline(sheet.rgb, points, colour=colour, width_px=thin)
        ring = float(np.hypot(*(points - np.array(sign.at)).T).max()) + gap
    if sign.outline is None or sign.radius_px < _OUTLINE_FROM_PX:
        canvas.draw_ring(sheet.rgb, sign.at, ring, colour=colour, width_px=thin)
    if sign.band >= 2:
        ring += gap + thin
        canvas.draw_ring(sheet.rgb, sign.at, ring, colour=colour, width_px=thin + 1)
    if sign.band >= 3:
        length = 0.7 * sign.size_px
        canvas.draw_ticks(
            sheet.rgb, sign.at, ring, colour=colour, length_px=length, width_px=thin + 1
        )
        ring += length
    return ring + thin


def _number_pits(
    sheet: Sheet, inspection: Inspection, signs: np.ndarray, *, from_band: int
) -> None:
    """Write pit numbers beside their rings (the first rows of `signs`), off all other signs."""
    pits = inspection.pits
    bands = facts.band_index(pits["diameter_mm"], facts.size_bands(inspection))
    is_short = from_band <= 1 and len(pits) <= _ALL_NUMBERED_UP_TO
    worth = np.flatnonzero((bands >= from_band) | is_short)
    order = worth[np.argsort(-pits["diameter_mm"].fillna(0).to_numpy()[worth], kind="stable")]
    font = sheet.font("narrow_bold", 1.25)
    names = [str(pits["pit_id"].iloc[i]) for i in order]
    width, height = sheet.size_px
    box = (sheet.left, sheet.top, sheet.left + width, sheet.top + height)
    for i, at in place_labels(names, signs, order, font, box).items():
        sheet.text.add(names[i], at, font, fill=WHITE, anchor="mm", halo=INK)


def _draw_map_legend(sheet: Sheet, inspection: Inspection) -> float:
    words, unit = sheet.words, sheet.unit
    bands = facts.size_bands(inspection)
    counts = facts.count_pits(inspection).n_by_band
    entries = [(_band_sign(band), f"{size.describe(words, sheet.units)}: {n}")
               for band, (size, n) in enumerate(zip(bands, counts, strict=True))]  # fmt: skip
    if len(inspection.marks):
        entries.append((_mark_sign, words.say("map.not_a_pit")))
    if not inspection.face.seen.all():
        entries.append((_unseen_sign, words.say("map.not_seen")))
    font, x = sheet.font("regular", 1.4), 2 * unit
    y = sheet.top + sheet.size_px[1] + 6.6 * unit
    for sign, name in entries:
        step = 4.0 * unit + canvas.text_width(name, font)
        if x + step > sheet.rgb.shape[1] - unit and x > 2 * unit:
            x, y = 2 * unit, y + 3.2 * unit
        sign(sheet, (x + 1.4 * unit, y))
        sheet.text.add(name, (x + 3.2 * unit, y), font)
        x += step + 1.6 * unit
    return draw_scale_bar(sheet, y + 3.2 * unit, note=words.say("map.numbered"))


def _band_sign(band: int):
    def draw(sheet: Sheet, at) -> None:
        half, unit = 0.95 * sheet.unit, sheet.unit
        x, y = at
        cv2.rectangle(sheet.rgb, (round(x - 1.25 * unit), round(y - 1.25 * unit)),
                      (round(x + 1.25 * unit), round(y + 1.25 * unit)), (128, 128, 126), -1)  # fmt: skip
        radius = (0.2, 0.45, 0.35, 0.1)[band] * half
        _draw_pit(sheet, _PitSign(at, radius, band, 0.8 * unit))

    return draw


def _mark_sign(sheet: Sheet, at) -> None:
    x, y = at
    half = round(1.25 * sheet.unit)
    cv2.rectangle(sheet.rgb, (round(x) - half, round(y) - half), (round(x) + half, round(y) + half),
                  (128, 128, 126), -1)  # fmt: skip
    canvas.draw_square(sheet.rgb, at, 0.7 * sheet.unit, dash_px=max(round(sheet.unit / 6), 3))


def _unseen_sign(sheet: Sheet, at) -> None:
    x, y, half = round(at[0]), round(at[1]), round(1.25 * sheet.unit)
    view = sheet.rgb[y - half : y + half, x - half : x + half]
    canvas.hatch(view, np.ones(view.shape[:2], bool), pitch_px=max(round(sheet.unit * 0.55), 6))
    cv2.rectangle(sheet.rgb, (x - half, y - half), (x + half, y + half), INK, 1)


def _paint_fields(sheet: Sheet, inspection: Inspection) -> float:
    """Shade every field; return the top of the ramp (per m2 or ft2)."""
    fields = place_fields(inspection)
    share = _share_of_unit(sheet)
    known = fields["pits_per_m2"].dropna()
    most = max(_HEAT_TOP_MIN, float(known.max()) if len(known) else 0.0) * share
    face_view(sheet)[:] = PAPER
    for field in fields.itertuples():
        x, y = sheet.to_px(field.x_mm, field.y_mm)
        right, bottom = sheet.to_px(field.x_mm + field.width_mm, field.y_mm + field.height_mm)
        cell = sheet.rgb[round(float(y)) : round(float(bottom)),
                         round(float(x)) : round(float(right))]  # fmt: skip
        value = field.pits_per_m2 * share
        if math.isfinite(value):
            cell[:] = _ramp(value / most)
        else:
            canvas.hatch(cell, np.ones(cell.shape[:2], bool), pitch_px=round(sheet.unit * 0.8))
        cv2.rectangle(sheet.rgb, (round(float(x)), round(float(y))),
                      (round(float(right)), round(float(bottom))), MUTED, 1)  # fmt: skip
    _hatch_unseen(sheet, inspection)
    return most


def _share_of_unit(sheet: Sheet) -> float:
    return MM2_PER_FT2 / MM2_PER_M2 if sheet.units == "in" else 1.0


def _hatch_unseen(sheet: Sheet, inspection: Inspection) -> None:
    view = face_view(sheet)
    size = (view.shape[1], view.shape[0])
    seen = cv2.resize(inspection.face.seen.view(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    canvas.hatch(view, seen == 0, pitch_px=max(round(sheet.unit * 0.8), 6))


def _ramp(share: float) -> np.ndarray:
    """Return the RGB colour of a share 0-1: cream for few to dark blue for many, evenly darker."""
    place = math.sqrt(min(max(share, 0.0), 1.0)) * (len(_RAMP) - 1)
    return np.array(
        [np.interp(place, range(len(_RAMP)), channel) for channel in zip(*_RAMP, strict=True)]
    ).astype(np.uint8)


def _write_fields(sheet: Sheet, inspection: Inspection, most: float) -> None:
    """Write each field's figure on a plate of its own shade, so that no zone's outline runs through it."""
    share = _share_of_unit(sheet)
    for field in place_fields(inspection).itertuples():
        value = field.pits_per_m2 * share
        if math.isfinite(value):
            _write_field(sheet, field, value, shade=_ramp(value / most), is_dark=value / most > _DARK_FROM)


def _write_field(sheet: Sheet, field, value: float, *, shade, is_dark: bool) -> None:
    width, height = field.width_mm * sheet.px_per_mm, field.height_mm * sheet.px_per_mm
    fill, unit, halo = WHITE if is_dark else INK, sheet.unit, tuple(int(v) for v in shade)
    x, y = sheet.to_px(field.x_mm + field.width_mm / 2, field.y_mm + field.height_mm / 2)
    size = min(3.2, 0.3 * height / unit, 0.28 * width / unit)
    figure = sheet.words.number(value, 1 if sheet.units == "in" else 0)
    if size < 1.0:
        return
    how, font = {"fill": fill, "halo": halo}, sheet.font("bold", size)
    y -= 0.05 * height
    half, below = canvas.text_width(figure, font) / 2 + 0.3 * unit, (1.35 if size > 1.6 else 0.5) * size * unit
    plate = [(round(x - half), round(y - 0.5 * size * unit)), (round(x + half), round(y + below))]
    cv2.rectangle(sheet.rgb, *plate, halo, -1)
    sheet.text.add(figure, (x, y), font, anchor="mm", **how)
    if size > 1.6:
        n = sheet.words.say("heat.n", n=field.n_pits)
        sheet.text.add(n, (x, y + 0.85 * size * unit), sheet.font("narrow", 1.3), anchor="mm", **how)
        at = (x - width / 2 + 0.6 * unit, y + 0.55 * height - 0.5 * unit)
        sheet.text.add(str(field.field), at, sheet.font("narrow_bold", 1.3), anchor="ls", **how)


def _figure_places(sheet: Sheet, inspection: Inspection) -> np.ndarray:
    """Return circles (x, y, reach) in px over the figures of the fields and their names."""
    fields = place_fields(inspection)
    x, y = sheet.to_px(
        fields["x_mm"] + fields["width_mm"] / 2, fields["y_mm"] + fields["height_mm"] / 2
    )
    reach = np.minimum(3.0 * sheet.unit, 0.3 * fields["height_mm"] * sheet.px_per_mm)
    names = _chip_places(sheet, inspection)
    return np.vstack([np.c_[x, y, reach], names])


def _draw_heat_legend(sheet: Sheet, inspection: Inspection, most: float, area: str) -> float:
    words, unit = sheet.words, sheet.unit
    y, left, length = sheet.top + sheet.size_px[1] + 6.2 * unit, 2 * unit, 24 * unit
    font = sheet.font("regular", 1.4)
    steps = np.linspace(0, 1, max(round(length), 2))
    colours = np.stack([_ramp(step) for step in steps])
    rows = slice(round(y - 0.8 * unit), round(y + 0.8 * unit))
    sheet.rgb[rows, round(left) : round(left) + len(steps)] = colours
    decimals = 1 if sheet.units == "in" else 0
    for share in (0.0, 0.25, 1.0):
        name = words.number(share * most, decimals)
        sheet.text.add(name, (left + share * length, y + 1.7 * unit), font, anchor="mm")
    sheet.text.add(words.say("heat.legend", area=area), (left + length + 1.4 * unit, y), font)
    if not inspection.face.seen.all() or inspection.plan.fields["pits_per_m2"].isna().any():
        at = (left + length + 26 * unit, y)
        _unseen_sign(sheet, at)
        sheet.text.add(words.say("map.not_seen"), (at[0] + 2 * unit, y), font)
    n = facts.count_pits(inspection).n_pits
    note = words.say("heat.fields" if len(inspection.plan.fields) else "heat.no_fields", n=n)
    return draw_scale_bar(sheet, y + 4.2 * unit, note=note)
