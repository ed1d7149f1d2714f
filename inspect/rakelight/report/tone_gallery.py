"""Filled pits and marked patches with the face around them, the most different first."""

import math

import cv2
import numpy as np
import pandas as pd

from rakelight.core.records import FaceMap
from rakelight.core.settings import ReportSettings

from . import canvas
from .canvas import INK, MUTED, PAPER
from .tone_words import say_gap, say_tone
from .words import Words, load_words

MOST = 24
_TILE_PX, _GAP_PX, _TEXT_PX, _EDGE_PX = 220, 24, 84, 36
_HEAD_PX = 132
_VIEW = 2.2
"""A tile shows this many radii around the patch: the ring it is held against fits in."""


def draw_patch_gallery(
    soft_face: FaceMap,
    patches: pd.DataFrame,
    *,
    spot_dE00: float,
    most: int = MOST,
    settings: ReportSettings | None = None,
) -> np.ndarray:
    """Return a sheet of patches as the soft-light photo shows them, with their dE00 and words.

    Parameters
    ----------
    soft_face : FaceMap
        The soft-light photo the patches were measured on.
    patches : pandas.DataFrame
        PATCH_COLUMNS.
    spot_dE00 : float
        The limit from which a patch reads as a spot, as measured with.
    most : int
        Patches shown; the count in the headline is of all.
    settings : ReportSettings
        Language.

    Returns
    -------
    ndarray
        uint8 (rows, cols, 3), RGB. Patches that were not judged come last, and say why.

    Errors of the answer: pictures are the photo's own, lit and tinted as it was taken; only the
    figures are balanced. Source: our choice.
    """
    words = load_words((settings or ReportSettings()).language)
    shown = patches.sort_values("dE00", ascending=False, na_position="last", kind="stable").head(most)
    n_across = min(max(len(shown), 4), 6)
    n_down = math.ceil(len(shown) / n_across)
    step_x, step_y = _TILE_PX + _GAP_PX, _TILE_PX + _TEXT_PX + _GAP_PX
    size = (_HEAD_PX + n_down * step_y + 40, 2 * _EDGE_PX + n_across * step_x - _GAP_PX)
    rgb, text = np.full((*size, 3), PAPER, np.uint8), canvas.TextLayer()
    _write_head(text, patches, words, spot_dE00)
    for i, patch in enumerate(shown.itertuples()):
        left, top = _EDGE_PX + (i % n_across) * step_x, _HEAD_PX + (i // n_across) * step_y
        _draw_tile(rgb[top : top + _TILE_PX, left : left + _TILE_PX], soft_face, patch)
        _write_tile(text, patch, (left, top + _TILE_PX), words)
    note = (_EDGE_PX, size[0] - 26)
    text.add(words.say("tone.gallery_note"), note, canvas.load_font("regular", 21), fill=MUTED)
    return text.draw(rgb)


def _write_head(text: canvas.TextLayer, patches: pd.DataFrame, words: Words, spot_dE00: float) -> None:
    text.add(words.say("tone.gallery"), (_EDGE_PX, 44), canvas.load_font("bold", 38))
    count = words.say(
        "tone.gallery_count", n_spots=int(patches["reads_as_spot"].sum()), n=len(patches),
        limit=words.number(spot_dE00, 1),
    )
    text.add(count, (_EDGE_PX, 94), canvas.load_font("regular", 26))


def _draw_tile(tile: np.ndarray, face: FaceMap, patch) -> None:
    """Draw the patch and its surroundings enlarged, with the edges of patch and ring marked."""
    if not math.isfinite(patch.x_mm + patch.y_mm + patch.diameter_mm):
        canvas.hatch(tile, np.ones(tile.shape[:2], bool), pitch_px=14)
        return
    radius = max(patch.diameter_mm / 2 / face.mm_per_px, 2.0)
    scale = tile.shape[0] / (2 * _VIEW * radius)
    x, y = (value / face.mm_per_px - 0.5 for value in (patch.x_mm, patch.y_mm))
    half = (tile.shape[0] - 1) / 2
    shift = np.array([[scale, 0, half - scale * x], [0, scale, half - scale * y]])
    how = cv2.INTER_CUBIC if scale > 1 else cv2.INTER_AREA
    tile[:] = cv2.warpAffine(face.rgb, shift, tile.shape[1::-1], flags=how, borderValue=PAPER)
    turn = np.linspace(0, 2 * np.pi, 80)
    ring = np.c_[half + radius * scale * np.cos(turn), half + radius * scale * np.sin(turn)]
    for start in range(0, 80, 8):  # broken, so that the patch's own rim can be seen
        canvas.draw_outline(tile, ring[start : start + 4], colour=(255, 255, 255), width_px=1, closed=False)
    cv2.rectangle(tile, (0, 0), (tile.shape[1] - 1, tile.shape[0] - 1), INK, 3 if patch.reads_as_spot else 1)


def _write_tile(text: canvas.TextLayer, patch, corner: tuple[float, float], words: Words) -> None:
    x, y = corner
    bold, regular = canvas.load_font("bold", 23), canvas.load_font("regular", 20)
    number = f"{patch.patch_id}"
    if math.isfinite(patch.dE00):
        head = words.say("tone.patch", number=number, gap=say_gap(patch.dE00, words).removesuffix(" dE00"))
        tone = say_tone(patch.words, words)
    else:
        head, tone = words.say("tone.patch_unknown", number=number), str(patch.words)
    text.add(canvas.fit_text(head, bold, _TILE_PX), (x, y + 18), bold)
    text.add(canvas.fit_text(tone, regular, _TILE_PX), (x, y + 43), regular)
    if math.isfinite(patch.age_days):
        age = words.say("tone.age", days=words.number(patch.age_days))
        text.add(age, (x, y + 66), regular, fill=MUTED)
