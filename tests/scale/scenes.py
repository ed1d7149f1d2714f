"""Made-up scenes for the tests of the scale: the printed card and marks laid on a wooden desk."""

import io
import json
from importlib.resources import files

import cv2
import numpy as np
import typst
from PIL import Image

from rakelight.core.records import Photo
from rakelight.scale import card
from rakelight.scale.layout import CARD_SIDE_MM, CARD_TOP_MM, PAPERS_MM
from rakelight.simulate.camera import Camera, photograph

PRINT_PX_PER_MM = 6
DESK_PX_PER_MM = 4
WHITE, BLACK = 0.80, 0.03  # linear reflectance of paper and printer's black


def print_card():
    """Return the card's printed face as linear reflectance, 6 px per mm, by the typesetter's own raster."""
    data = {
        "title": "card",
        "lang": "en",
        "page": PAPERS_MM["a4"],
        "mark_pages": [],
        "card": card._lay_out_card("a4"),
    }
    png = typst.compile(
        files("rakelight.data").joinpath("typst/scale_card.typ").read_bytes(),
        font_paths=[str(files("rakelight.data").joinpath("fonts"))],
        ignore_system_fonts=True,
        sys_inputs={"data": json.dumps(data)},
        format="png",
        ppi=25.4 * PRINT_PX_PER_MM,
    )
    page = np.array(Image.open(io.BytesIO(png)).convert("L"))
    left_mm = (PAPERS_MM["a4"][0] - CARD_SIDE_MM) / 2
    top, left, side = (round(v * PRINT_PX_PER_MM) for v in (CARD_TOP_MM, left_mm, CARD_SIDE_MM))
    return print_on_paper(page[top : top + side, left : left + side])


def print_on_paper(page):
    """Return linear reflectance of a page given as sRGB levels."""
    level = page / 255
    light = np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)
    return (BLACK + (WHITE - BLACK) * light).astype(np.float32)


def draw_mark(mark_id, side_mm=80.0, cut_mm=110.0):
    """Return one mark's cut square as linear reflectance, 6 px per mm."""
    px = PRINT_PX_PER_MM
    square = np.full((round(cut_mm * px),) * 2, 255, np.uint8)
    cells = card.draw_cells(mark_id).astype(np.uint8) * 255
    n = round(side_mm * px)
    start = (square.shape[0] - n) // 2
    square[start : start + n, start : start + n] = cv2.resize(
        cells, (n, n), interpolation=cv2.INTER_NEAREST
    )
    return print_on_paper(square)


def render_desk(size_mm, seed=1):
    """Return a wooden desk in linear light, 4 px per mm."""
    rng = np.random.default_rng(seed)
    rows, cols = (round(v * DESK_PX_PER_MM) for v in size_mm[::-1])
    y = np.arange(rows)[:, None] / DESK_PX_PER_MM
    wander = cv2.resize(rng.normal(0, 3, (4, 40)).astype(np.float32), (cols, rows))
    grain = np.sin((y + wander) * 1.3) * 0.2 + np.sin((y + 2 * wander) * 4.1) * 0.1
    speck = cv2.GaussianBlur(rng.normal(0, 1, (rows, cols)).astype(np.float32), (0, 0), 1.5)
    tone = 0.22 * (1 + 0.5 * grain + 0.3 * speck)
    tone *= np.where((y % 95) < 1.5, 0.3, 1.0)
    lamp = np.linspace(1.5, 0.7, cols)[None, :]
    colour = np.array([1.25, 1.0, 0.7], np.float32)
    return (tone * lamp)[:, :, None].astype(np.float32) * colour


def lay_on(scene, print_light, middle_mm, *, turn_deg=0.0, scene_px_per_mm=DESK_PX_PER_MM):
    """Return a scene with a print laid on it: its middle at a place, turned clockwise."""
    size = np.array(print_light.shape[::-1])
    zoom = scene_px_per_mm / PRINT_PX_PER_MM
    cos, sin = np.cos(np.deg2rad(turn_deg)) * zoom, np.sin(np.deg2rad(turn_deg)) * zoom
    turn = np.array([[cos, -sin], [sin, cos]])
    middle_px = np.array(middle_mm) * scene_px_per_mm - 0.5
    shift = middle_px - turn @ ((size - 1) / 2)
    matrix = np.column_stack([turn, shift])
    # Blur before making smaller, so that edges stay where they are and do not alias.
    soft = cv2.GaussianBlur(print_light, (0, 0), 0.5 / zoom)
    over = cv2.warpAffine(soft, matrix, scene.shape[1::-1], flags=cv2.INTER_LINEAR)
    cover = cv2.warpAffine(np.ones_like(soft), matrix, scene.shape[1::-1], flags=cv2.INTER_LINEAR)
    lamp = np.linspace(1.2, 0.7, scene.shape[1], dtype=np.float32)[None, :, None]
    return scene * (1 - cover[..., None]) + over[..., None] * lamp


def take_photo(scene, *, scene_px_per_mm=DESK_PX_PER_MM, seed=1, **view):
    """Return a photo of a flat scene and the camera that took it (its `project` is the truth)."""
    rows, cols = scene.shape[:2]
    camera = Camera(
        slab_size_mm=(cols / scene_px_per_mm, rows / scene_px_per_mm),
        slab_mm_per_px=1 / scene_px_per_mm,
        **view,
    )
    rgb = photograph(scene, camera, seed=seed)
    return Photo(rgb=rgb, name="made_up.jpg", sha256="0" * 64), camera
