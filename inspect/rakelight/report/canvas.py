"""Drawing on a picture: text in the shipped face, rings, hatching, rulers, arrows.

Everything drawn reads in grey as well: a sign differs by its form first and by its colour
second, and every light line carries a dark casing.
"""

import math
from functools import lru_cache
from importlib import resources

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from rakelight.core.units import MM_PER_FOOT, MM_PER_INCH

INK = (24, 26, 30)
PAPER = (255, 255, 255)
MUTED = (96, 99, 106)
WHITE = (255, 255, 255)
_SHIFT_BITS = 4
_SHIFT = 1 << _SHIFT_BITS
_FACES = {
    "regular": "Barlow-Regular.ttf",
    "bold": "Barlow-Bold.ttf",
    "narrow": "BarlowCondensed-Medium.ttf",
    "narrow_bold": "BarlowCondensed-Bold.ttf",
}


@lru_cache(maxsize=128)
def load_font(face: str, size_px: int) -> ImageFont.FreeTypeFont:
    """Return a face of the shipped family (regular, bold, narrow, narrow_bold) in a size."""
    path = resources.files("rakelight.data").joinpath("fonts", _FACES[face])
    with path.open("rb") as file:
        return ImageFont.truetype(file, max(int(size_px), 6), layout_engine=ImageFont.Layout.BASIC)


class TextLayer:
    """Collects text for a picture and draws it in one pass, since each change of type costs."""

    def __init__(self) -> None:
        self._items: list[tuple] = []

    def add(
        self,
        text: str,
        at: tuple[float, float],
        font: ImageFont.FreeTypeFont,
        *,
        fill: tuple[int, int, int] = INK,
        anchor: str = "lm",
        halo: tuple[int, int, int] | None = None,
    ) -> None:
        """Note a text at (x, y); `anchor` as Pillow names it; `halo` is the casing's colour."""
        self._items.append((text, at, font, fill, anchor, halo))

    def draw(self, rgb: np.ndarray) -> np.ndarray:
        """Return a copy of the picture with all noted text on it."""
        picture = Image.fromarray(rgb)
        pen = ImageDraw.Draw(picture)
        for text, at, font, fill, anchor, halo in self._items:
            width = max(round(font.size / 9), 1) if halo else 0
            pen.text(
                at, text, font=font, fill=fill, anchor=anchor, stroke_width=width, stroke_fill=halo
            )
        return np.asarray(picture)


def text_width(text: str, font: ImageFont.FreeTypeFont) -> float:
    """Return the width of a text in px."""
    return font.getlength(text)


def fit_text(text: str, font: ImageFont.FreeTypeFont, width_px: float) -> str:
    """Return the text, cut with an ellipsis when it is wider than allowed."""
    if text_width(text, font) <= width_px:
        return text
    while text and text_width(text + "…", font) > width_px:
        text = text[:-1]
    return text.rstrip() + "…"


def wrap_text(text: str, font: ImageFont.FreeTypeFont, width_px: float) -> list[str]:
    """Return the text broken at spaces into lines that fit a width."""
    lines: list[str] = []
    for word in text.split():
        trial = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(trial, font) <= width_px:
            lines[-1] = trial
        else:
            lines.append(fit_text(word, font, width_px))
    return lines


def draw_ring(
    rgb: np.ndarray,
    centre: tuple[float, float],
    radius_px: float,
    *,
    colour: tuple[int, int, int],
    width_px: int = 2,
) -> None:
    """Draw a ring with a dark casing at a sub-pixel place."""
    at = _to_fixed(centre)
    for shade, width in ((INK, width_px + 2), (colour, width_px)):
        cv2.circle(rgb, at, round(radius_px * _SHIFT), shade, width, cv2.LINE_AA, _SHIFT_BITS)


def draw_outline(
    rgb: np.ndarray,
    points: np.ndarray,
    *,
    colour: tuple[int, int, int],
    width_px: int = 2,
    closed: bool = True,
) -> None:
    """Draw a line through (N, 2) x, y px with a dark casing at sub-pixel places."""
    fixed = [np.round(points * _SHIFT).astype(np.int32).reshape(-1, 1, 2)]
    for shade, width in ((INK, width_px + 2), (colour, width_px)):
        cv2.polylines(rgb, fixed, closed, shade, width, cv2.LINE_AA, _SHIFT_BITS)


def fill_ellipse(
    rgb: np.ndarray,
    centre: tuple[float, float],
    radius_px: float,
    colour: tuple[int, int, int],
    *,
    start_deg: float = 0.0,
    end_deg: float = 360.0,
) -> None:
    """Fill a disc, or the part of it between two angles (clockwise from the right)."""
    axes = (round(radius_px * _SHIFT), round(radius_px * _SHIFT))
    cv2.ellipse(
        rgb, _to_fixed(centre), axes, 0, start_deg, end_deg, colour, -1, cv2.LINE_AA, _SHIFT_BITS
    )


def draw_ticks(
    rgb: np.ndarray,
    centre: tuple[float, float],
    radius_px: float,
    *,
    colour: tuple[int, int, int],
    length_px: float,
    width_px: int = 2,
) -> None:
    """Draw four short strokes that point at a place from outside a ring."""
    for turn in range(4):
        way = np.array([math.cos(turn * math.pi / 2), math.sin(turn * math.pi / 2)])
        ends = np.array(centre) + np.outer([radius_px, radius_px + length_px], way)
        draw_outline(rgb, ends, colour=colour, width_px=width_px, closed=False)


def draw_square(
    rgb: np.ndarray, centre: tuple[float, float], half_px: float, *, dash_px: int = 5
) -> None:
    """Draw a faint dashed square: the sign of what is not a pit."""
    x, y = centre
    corners = [(x - half_px, y - half_px), (x + half_px, y - half_px),
               (x + half_px, y + half_px), (x - half_px, y + half_px)]  # fmt: skip
    for start, end in zip(corners, corners[1:] + corners[:1], strict=True):
        _draw_dashes(rgb, np.array(start), np.array(end), dash_px)


def hatch(rgb: np.ndarray, mask: np.ndarray, *, pitch_px: int, paper=PAPER, ink=(168, 168, 166)):
    """Fill the masked part with slanted lines, in place; the sign of what was not seen."""
    if not mask.any():
        return
    rows, cols = np.nonzero(mask)
    is_line = ((rows + cols) % pitch_px) < max(pitch_px // 5, 1)
    rgb[rows, cols] = np.where(is_line[:, None], np.uint8(ink), np.uint8(paper))


def draw_lamp_arrow(
    rgb: np.ndarray, centre: tuple[float, float], radius_px: float, from_deg: float
) -> None:
    """Draw a small face with an arrow that comes from the lamp's side; a bare face if unknown."""
    x, y = centre
    half = radius_px * 0.62
    cv2.rectangle(rgb, (round(x - half), round(y - half)), (round(x + half), round(y + half)),
                  INK, 2, cv2.LINE_AA)  # fmt: skip
    if not math.isfinite(from_deg):
        return
    way = np.array([math.sin(math.radians(from_deg)), -math.cos(math.radians(from_deg))])
    side = np.array([-way[1], way[0]])
    start, tip = np.array(centre) + way * radius_px * 1.25, np.array(centre) + way * radius_px * 0.1
    neck = tip + way * radius_px * 0.5
    shaft, head = radius_px * 0.1, radius_px * 0.32
    arrow = np.array([start + side * shaft, neck + side * shaft, neck + side * head, tip,
                      neck - side * head, neck - side * shaft, start - side * shaft])  # fmt: skip
    fixed = [np.round(arrow * _SHIFT).astype(np.int32).reshape(-1, 1, 2)]
    cv2.fillPoly(rgb, fixed, INK, cv2.LINE_AA, _SHIFT_BITS)


def scale_bar_mm(width_mm: float, units: str) -> tuple[float, str]:
    """Return a round length near a fifth of the width, and how it is written."""
    steps = (
        [(n * MM_PER_INCH, f'{n}"') for n in (1, 2, 4, 6)]
        + [(n * MM_PER_FOOT, f"{n} ft") for n in (1, 2, 4, 10)]
        if units == "in"
        else [(float(n), f"{n} mm") for n in (5, 10, 20, 50, 100, 200, 500, 1000, 2000)]
    )
    fitting = [step for step in steps if step[0] <= width_mm / 4.5]
    return (fitting or steps[:1])[-1]


def ruler_step_mm(length_mm: float, units: str, *, most: int = 9) -> tuple[float, float]:
    """Return (mm between written marks, mm between bare marks) for a ruler along a side."""
    steps = (
        [(6 * MM_PER_INCH, 2 * MM_PER_INCH), (12 * MM_PER_INCH, 6 * MM_PER_INCH),
         (24 * MM_PER_INCH, 12 * MM_PER_INCH), (48 * MM_PER_INCH, 12 * MM_PER_INCH)]
        if units == "in"
        else [(50.0, 10.0), (100.0, 50.0), (300.0, 100.0), (600.0, 100.0), (1200.0, 300.0)]
    )  # fmt: skip
    for step in steps:
        if length_mm / step[0] <= most:
            return step
    return steps[-1]


def _draw_dashes(rgb: np.ndarray, start: np.ndarray, end: np.ndarray, dash_px: int) -> None:
    length = float(np.hypot(*(end - start)))
    n = max(int(length // dash_px), 1)
    for i in range(0, n, 2):
        a, b = start + (end - start) * i / n, start + (end - start) * (i + 1) / n
        cv2.line(rgb, _to_fixed(a), _to_fixed(b), WHITE, 1, cv2.LINE_AA, _SHIFT_BITS)


def _to_fixed(place) -> tuple[int, int]:
    return round(float(place[0]) * _SHIFT), round(float(place[1]) * _SHIFT)
