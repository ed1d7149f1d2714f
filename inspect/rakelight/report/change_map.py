"""What became of every pit, as a map, and the two faces as a pair at one scale.

The state is told by form alone: a full dot is closed, a half one dished, an empty ring open,
a triangle new, a dashed ring not seen. Colour only repeats it.
"""

import math

import cv2
import numpy as np

from rakelight.core.records import STATES, Comparison, Inspection
from rakelight.core.settings import ReportSettings

from . import canvas, facts
from .canvas import INK, MUTED, PAPER, WHITE
from .figures import face_view, paste_face
from .frame import Sheet, draw_frame, draw_scale_bar, finish, lay_out
from .labels import place_labels
from .words import Words, clean_name, load_words

STATE_COLOURS = {
    "closed": (186, 226, 246),
    "dished": (255, 222, 66),
    "open": (255, 150, 30),
    "new": (255, 96, 84),
    "unseen": (225, 225, 222),
}
_DRAWN_FIRST = ("unseen", "closed", "dished", "open", "new")
_REFILLED = ("dished", "open", "new")
_SAME_SIDE_DEG = 20.0
_PAIR_GAP_SHARE = 0.02
_STACKED_FROM = 1.7  # width over height from which the two faces stand above each other


def draw_change(
    change: Comparison,
    after: Inspection,
    *,
    settings: ReportSettings | None = None,
    room: tuple[float, float] | None = None,
) -> np.ndarray:
    """Return the later face with the state of every pit of either survey.

    Parameters
    ----------
    change : Comparison
        Its table says the states; its registration brings earlier places onto the later plan.
    after : Inspection
        The later survey; when its picture was not kept, the signs stand on blank paper.
    settings : ReportSettings
        Longest side, units, language.
    room : width and height in units
        Of a place on a page that carries its own title; None for a picture that stands by itself.

    Returns
    -------
    ndarray
        uint8 (rows, cols, 3), RGB.

    Errors of the answer: places to a pixel of the picture and the placing error of the
    comparison. Source: our choice.
    """
    settings = settings or ReportSettings()
    sheet = lay_out(after, settings, legend_lines=4 if room else 2, room=room)
    if after.face.rgb.size:
        paste_face(sheet, after)
    else:
        face_view(sheet)[:] = 200
    states, x_mm, y_mm = place_states(change)
    x_px, y_px = sheet.to_px(x_mm, y_mm)
    size = _sign_size(sheet, len(states))
    for state in _DRAWN_FIRST:
        for i in np.flatnonzero(states == state):
            draw_state(sheet, (float(x_px[i]), float(y_px[i])), state, size)
    _number_refills(sheet, change, states, np.c_[x_px, y_px, np.full(len(states), size * 1.3)])
    draw_frame(sheet, after, headline=_say_headline(change, sheet.words) if room is None else None)
    return finish(sheet, _draw_legend(sheet, states))


def draw_pair(
    before: Inspection, after: Inspection, *, settings: ReportSettings | None = None
) -> np.ndarray:
    """Return both faces without signs at one scale, titled, with a scale bar and the light told.

    Side by side for upright faces, one above the other for wide ones.
    """
    settings = settings or ReportSettings()
    words = load_words(settings.language)
    longest = settings.map_max_side_px
    sizes_mm = [facts.slab_size_mm(face) for face in (before, after)]
    is_wide = sizes_mm[1][0] >= _STACKED_FROM * sizes_mm[1][1]
    half = round(longest * (1.0 if is_wide else 0.5 - _PAIR_GAP_SHARE / 2))
    px_per_mm = min(
        half / max(size_mm[0] for size_mm in sizes_mm),
        longest / max(size_mm[1] for size_mm in sizes_mm),
    )
    titled = [
        _draw_titled(face, words.say(f"change.{name}"), px_per_mm, longest / 70)
        for face, name in ((before, "before"), (after, "after"))
    ]
    pair = _put_together(titled, is_wide=is_wide, gap=round(longest * _PAIR_GAP_SHARE))
    return _add_foot(pair, px_per_mm, _say_light(before, after, words), settings)


def place_states(change: Comparison) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return state, x_mm and y_mm on the later plan for every row of the comparison."""
    table = change.table
    matrix = np.asarray(change.registration.get("matrix", np.eye(3)), float)
    before = np.c_[table["before_x_mm"], table["before_y_mm"], np.ones(len(table))]
    moved = before @ matrix.T
    moved = moved[:, :2] / moved[:, 2:]
    after = table[["after_x_mm", "after_y_mm"]].to_numpy(float)
    at = np.where(np.isfinite(after), after, moved)
    return table["state"].to_numpy(str), at[:, 0], at[:, 1]


def draw_state(sheet: Sheet, at: tuple[float, float], state: str, size_px: float) -> None:
    """Draw the sign of one state around a place."""
    colour, line = STATE_COLOURS[state], max(round(sheet.unit / 11), 1)
    x, y = at
    if state in ("open", "closed", "dished"):
        canvas.draw_ring(sheet.rgb, at, size_px, colour=colour, width_px=line)
    if state == "closed":
        canvas.fill_ellipse(sheet.rgb, at, size_px * 0.72, colour)
    if state == "dished":
        canvas.fill_ellipse(sheet.rgb, at, size_px, colour, start_deg=0, end_deg=180)
    if state == "new":
        turns = np.radians([-90, 30, 150])
        corners = np.c_[x + 1.45 * size_px * np.cos(turns), y + 1.45 * size_px * np.sin(turns)]
        canvas.draw_outline(sheet.rgb, corners, colour=colour, width_px=line)
    if state == "unseen":
        for start in range(0, 360, 60):
            turns = np.radians(np.linspace(start, start + 32, 6))
            arc = np.c_[x + size_px * np.cos(turns), y + size_px * np.sin(turns)]
            canvas.draw_outline(sheet.rgb, arc, colour=colour, width_px=line, closed=False)


def count_closed(change: Comparison) -> tuple[int, int]:
    """Return how many earlier pits are closed, of how many that both photos can show."""
    table = change.table[change.table["before_id"].notna()]
    told = table[table["state"].isin(("closed", "dished", "open"))]
    return int((told["state"] == "closed").sum()), len(told)


def _sign_size(sheet: Sheet, n: int) -> float:
    return 0.5 * sheet.unit * float(np.clip(math.sqrt(200 / max(n, 1)), 0.6, 1.0))


def _number_refills(
    sheet: Sheet, change: Comparison, states: np.ndarray, signs: np.ndarray
) -> None:
    ids = change.table["after_id"]
    is_named = ids.notna().to_numpy() & np.isin(states, _REFILLED)
    sizes = change.table["after_diameter_mm"].fillna(0).to_numpy()
    order = np.array(sorted(np.flatnonzero(is_named), key=lambda i: -sizes[i]), int)
    names = [str(int(ids.iloc[i])) for i in order]
    width, height = sheet.size_px
    box = (sheet.left, sheet.top, sheet.left + width, sheet.top + height)
    font = sheet.font("narrow_bold", 1.25)
    for i, at in place_labels(names, signs, order, font, box).items():
        sheet.text.add(names[i], at, font, fill=WHITE, anchor="mm", halo=INK)


def _say_headline(change: Comparison, words: Words) -> str:
    closed, n = count_closed(change)
    if not n:
        return words.say("change.headline_none")
    return words.say("change.headline", closed=closed, n=n)


def _draw_legend(sheet: Sheet, states: np.ndarray) -> float:
    font, unit = sheet.font("regular", 1.4), sheet.unit
    x, y = 2 * unit, sheet.top + sheet.size_px[1] + 6.6 * unit
    for state in STATES:
        name = f"{sheet.words.say(f'state.{state}')}: {int((states == state).sum())}"
        step = 5.6 * unit + canvas.text_width(name, font)
        if x + step > sheet.rgb.shape[1] - unit and x > 2 * unit:
            x, y = 2 * unit, y + 3.2 * unit
        at, half = (x + 1.4 * unit, y), 1.25 * unit
        corners = (round(at[0] - half), round(y - half)), (round(at[0] + half), round(y + half))
        cv2.rectangle(sheet.rgb, *corners, (128, 128, 126), -1)
        draw_state(sheet, at, state, 0.55 * unit)
        sheet.text.add(name, (x + 3.2 * unit, y), font)
        x += step
    return draw_scale_bar(sheet, y + 3.2 * unit, note=sheet.words.say("change.note"))


def _draw_titled(face: Inspection, title: str, px_per_mm: float, unit: float) -> np.ndarray:
    width, height = (max(round(side * px_per_mm), 8) for side in facts.slab_size_mm(face))
    head = round(3.2 * unit)
    rgb = np.full((head + height, width, 3), PAPER, np.uint8)
    if face.face.rgb.size:
        how = cv2.INTER_AREA if width < face.face.rgb.shape[1] else cv2.INTER_CUBIC
        rgb[head:] = cv2.resize(face.face.rgb, (width, height), interpolation=how)
    else:
        canvas.hatch(rgb[head:], np.ones((height, width), bool), pitch_px=max(round(unit), 6))
    text = canvas.TextLayer()
    bold, regular = (
        canvas.load_font("bold", round(1.7 * unit)),
        canvas.load_font("regular", round(1.5 * unit)),
    )
    text.add(title, (0, head / 2), bold)
    about = [clean_name(face.job.get("stage", ""), longest=40), facts.photo_day(face)]
    at = (canvas.text_width(title + "  ", bold), head / 2)
    text.add(" · ".join(word for word in about if word), at, regular, fill=MUTED)
    return text.draw(rgb)


def _put_together(parts: list[np.ndarray], *, is_wide: bool, gap: int) -> np.ndarray:
    side = 1 if is_wide else 0
    longest = max(part.shape[side] for part in parts)
    padded = []
    for part in parts:
        pad = [(0, 0), (0, 0), (0, 0)]
        pad[side] = (0, longest - part.shape[side])
        padded.append(np.pad(part, pad, constant_values=PAPER[0]))
    between = [(0, 0), (0, 0), (0, 0)]
    between[1 - side] = (0, gap)
    first = np.pad(padded[0], between, constant_values=PAPER[0])
    return np.concatenate([first, padded[1]], axis=1 - side)


def _add_foot(
    pair: np.ndarray, px_per_mm: float, note: str, settings: ReportSettings
) -> np.ndarray:
    unit = settings.map_max_side_px / 70
    length_mm, name = canvas.scale_bar_mm(pair.shape[1] / px_per_mm / 2, settings.units)
    top = pair.shape[0]
    rgb = np.concatenate(
        [pair, np.full((round(3.4 * unit), pair.shape[1], 3), PAPER, np.uint8)], axis=0
    )
    y, length = round(top + 1.9 * unit), length_mm * px_per_mm
    cv2.rectangle(rgb, (0, round(y - 0.3 * unit)), (round(length), round(y + 0.3 * unit)), INK, -1)
    text, font = canvas.TextLayer(), canvas.load_font("bold", round(1.4 * unit))
    text.add(name, (length + 0.8 * unit, y), font)
    start = length + 2.4 * unit + canvas.text_width(name, font)
    regular = canvas.load_font("regular", round(1.4 * unit))
    text.add(canvas.fit_text(note, regular, rgb.shape[1] - start), (start, y), regular, fill=MUTED)
    return text.draw(rgb)


def _say_light(before: Inspection, after: Inspection, words: Words) -> str:
    sides = [facts.lamp_at_centre(f.lamp, facts.slab_size_mm(f))[0] for f in (before, after)]
    if not all(math.isfinite(side) for side in sides):
        return words.say("change.not_comparable")
    gap = abs((sides[0] - sides[1] + 180) % 360 - 180)
    return words.say("change.same_light" if gap <= _SAME_SIDE_DEG else "change.other_light")
