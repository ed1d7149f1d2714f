"""What a made-up face shows that is not a pit: bumps, stains, grains, scratches, cracks and more.

Every mark that a reader of the photo could take for a pit goes into the table of marks, so that
a false alarm can be named. Sand specks and mottling are part of the face and are not listed.
"""

from dataclasses import dataclass

import cv2
import numpy as np
import pandas as pd

from .pits import N_DIRECTIONS, draw_mouth
from .places import Board

MARK_COLUMNS = ("x_mm", "y_mm", "diameter_mm", "length_mm", "width_mm", "area_mm2", "kind")
"""Columns of the truth table of marks; sizes in mm and mm2, kind as in marks.csv."""

SHIFT = 4
"""Sub-pixel bits of OpenCV's drawing calls."""


@dataclass(slots=True)
class Face:
    """Height, albedo and marks while a slab is being made; drawing changes it in place."""

    height_mm: np.ndarray
    albedo: np.ndarray
    mm_per_px: float
    board: Board
    rng: np.random.Generator
    rows: list

    @property
    def size_mm(self) -> tuple[float, float]:
        """Return width and height in mm."""
        return (
            self.height_mm.shape[1] * self.mm_per_px,
            self.height_mm.shape[0] * self.mm_per_px,
        )

    def count(self, per_m2: float) -> int:
        """Return how many things a density per square metre means here, by chance (Poisson)."""
        return int(self.rng.poisson(per_m2 * self.size_mm[0] * self.size_mm[1] / 1e6))

    def window(self, x_mm: float, y_mm: float, reach_mm: float):
        """Return row slice, column slice and the places (mm from the centre) of their pixels."""
        reach = reach_mm / self.mm_per_px + 2
        col, row = x_mm / self.mm_per_px - 0.5, y_mm / self.mm_per_px - 0.5
        rows = slice(max(int(row - reach), 0), min(int(row + reach) + 2, self.height_mm.shape[0]))
        cols = slice(max(int(col - reach), 0), min(int(col + reach) + 2, self.height_mm.shape[1]))
        dy = (np.arange(rows.start, rows.stop) - row)[:, None] * self.mm_per_px
        dx = (np.arange(cols.start, cols.stop) - col)[None, :] * self.mm_per_px
        return rows, cols, dx, dy

    def note(self, kind: str, x_mm: float, y_mm: float, sizes: tuple[float, float, float]) -> None:
        """Write a mark into the truth: sizes are length mm, width mm, area mm2."""
        length, width, area = sizes
        diameter = 2 * np.sqrt(area / np.pi)
        self.rows.append((x_mm, y_mm, diameter, length, width, area, kind))


def build_mark_table(rows: list) -> pd.DataFrame:
    """Return the truth table of marks; no marks is an empty table with all columns.

    Errors of the answer: sizes of ragged marks are those of their circle of equal area.
    Source: not needed.
    """
    table = pd.DataFrame(rows, columns=list(MARK_COLUMNS))
    return table.astype({name: "float64" for name in MARK_COLUMNS[:-1]} | {"kind": "str"})


def draw_bumps(face: Face, per_m2: float, *, diameter_mm: tuple[float, float]) -> None:
    """Raise rounded bumps on the face; they shade the far side where a pit shades the near one."""
    for _ in range(face.count(per_m2)):
        radius = _draw_size(face, diameter_mm) / 2
        place = face.board.find_place(1.3 * radius)
        if place is None:
            continue
        share, rows, cols = _share_window(face, place, radius, roughness=0.12)
        height = radius * face.rng.uniform(0.08, 0.35)
        face.height_mm[rows, cols] += height * np.power(
            np.clip(1 - np.square(share), 0, None), 1.4
        ).astype(np.float32)
        face.note("bump", *place, _round_sizes(radius))


def draw_stains(face: Face, per_m2: float, *, diameter_mm: tuple[float, float]) -> None:
    """Darken or lighten flat blotches: tone without relief."""
    tints = (((0.62, 0.62, 0.62), 0.55), ((0.80, 0.66, 0.52), 0.2), ((1.22, 1.22, 1.2), 0.25))
    for _ in range(face.count(per_m2)):
        radius = _draw_size(face, diameter_mm) / 2
        place = face.board.find_place(1.2 * radius)
        if place is None:
            continue
        share, rows, cols = _share_window(face, place, radius, roughness=0.2)
        tint = np.array(tints[face.rng.choice(3, p=[w for _, w in tints])][0])
        strength = face.rng.uniform(0.35, 1.0)
        edge = face.rng.uniform(0.12, 0.6)
        cover = np.clip((1 - share) / edge + 0.5, 0, 1)[:, :, None] * strength
        face.albedo[rows, cols] *= (1 + cover * (tint - 1)).astype(np.float32)
        face.note("stain", *place, _round_sizes(radius))


def draw_grains(face: Face, per_m2: float, *, diameter_mm: tuple[float, float]) -> None:
    """Set dark or light sand grains into the face, flush or standing out by a hair."""
    for _ in range(face.count(per_m2)):
        radius = _draw_size(face, diameter_mm) / 2
        place = face.board.find_place(radius)
        if place is None:
            continue
        share, rows, cols = _share_window(face, place, radius, roughness=0.18)
        cover = np.clip((1 - share) * radius / face.mm_per_px + 0.5, 0, 1)
        dark = face.rng.random() < 0.6
        tone = face.rng.uniform(0.3, 0.75) if dark else face.rng.uniform(1.2, 1.7)
        warm = 1 + face.rng.normal(0, 0.05) * np.array([1, 0, -1])
        face.albedo[rows, cols] *= (1 + cover[:, :, None] * (tone * warm - 1)).astype(np.float32)
        lift = face.rng.uniform(0, 0.04) * radius
        face.height_mm[rows, cols] += (lift * np.clip(1 - share, 0, 1)).astype(np.float32)
        face.note("grain", *place, _round_sizes(radius))


def draw_crumbs(face: Face, per_m2: float, *, diameter_mm: tuple[float, float]) -> None:
    """Drop loose crumbs and dust lumps on the face: sharp, as high as wide, with a cast shadow."""
    for _ in range(face.count(per_m2)):
        radius = _draw_size(face, diameter_mm) / 2
        place = face.board.find_place(radius)
        if place is None:
            continue
        share, rows, cols = _share_window(face, place, radius, roughness=0.25)
        height = radius * face.rng.uniform(0.5, 1.3)
        lump = height * np.sqrt(np.clip(1 - np.square(share), 0, None))
        face.height_mm[rows, cols] = np.maximum(
            face.height_mm[rows, cols], face.height_mm[rows, cols] + lump.astype(np.float32)
        )
        tone = 1 + (share < 1) * (face.rng.uniform(0.8, 1.35) - 1)
        face.albedo[rows, cols] *= tone[:, :, None].astype(np.float32)
        face.note("other", *place, _round_sizes(radius))


def draw_scratches(face: Face, per_m2: float) -> None:
    """Cut thin scratches, straight or lightly bent, some lighter than the face."""
    for _ in range(face.count(per_m2)):
        length = face.rng.uniform(8, 60)
        width = face.rng.uniform(0.1, 0.35)
        line = _walk_line(face, length, bend=0.01)
        depth = width * face.rng.uniform(0.04, 0.3)
        _draw_line(face, line, width, depth_mm=depth, tone=face.rng.uniform(0.92, 1.2))
        face.note("scratch", *line.mean(axis=0), (length, width, length * width))


def draw_cracks(face: Face, n: int) -> None:
    """Open hairline cracks: long, thin, wandering, dark, hardly any depth."""
    for _ in range(n):
        length = face.rng.uniform(0.2, 0.6) * max(face.size_mm)
        width = face.rng.uniform(0.08, 0.2)
        line = _walk_line(face, length, bend=0.12)
        _draw_line(face, line, width, depth_mm=face.rng.uniform(0.02, 0.08), tone=0.6)
        face.note("crack", *line.mean(axis=0), (length, width, length * width))


def draw_trowel_arcs(face: Face, n: int) -> None:
    """Leave arcs of a late hard trowel: a low ridge, a shallow hollow and a darker skin."""
    width, height = face.size_mm
    for _ in range(n):
        radius = face.rng.uniform(0.35, 1.0) * max(width, 120)
        centre = np.array(
            [face.rng.uniform(-0.3, 1.3) * width, face.rng.uniform(0.6, 1.8) * height]
        )
        start = face.rng.uniform(190, 300)
        angle = np.deg2rad(np.linspace(start, start + face.rng.uniform(20, 60), 60))
        line = centre + radius * np.column_stack([np.cos(angle), np.sin(angle)])
        ridge = face.rng.uniform(0.6, 1.6)
        high = face.rng.uniform(0.01, 0.035)
        _draw_line(face, line, ridge, depth_mm=-high, tone=1.0, soft=0.4)
        _draw_line(face, line, 14 * ridge, depth_mm=0.6 * high, tone=0.93, soft=0.3)
        inside = line[np.all((line > 0) & (line < np.array([width, height])), axis=1)]
        if len(inside) > 1:
            length = float(np.hypot(*np.diff(inside, axis=0).T).sum())
            face.note("trowel_mark", *inside.mean(axis=0), (length, ridge, length * ridge))


def draw_joint(face: Face, share: float, *, tone_step: float, lip_mm: float) -> None:
    """Cast the slab in two batches that meet at `share` of the width: a tone step and a low lip."""
    rows, cols = face.height_mm.shape
    wander = cv2.resize(
        face.rng.standard_normal((max(rows // 200, 3), 1)).astype(np.float32),
        (1, rows),
        interpolation=cv2.INTER_CUBIC,
    )[:, 0]
    edge = share * cols + wander * 2.5 / face.mm_per_px
    gap = np.arange(cols, dtype=np.float32)[None, :] - edge[:, None].astype(np.float32)
    gap *= np.float32(face.mm_per_px)
    side = np.clip(gap / 3.0, -1, 1)
    face.albedo *= (1 + np.float32(tone_step / 2) * side)[:, :, None]
    face.height_mm += np.float32(lip_mm) * np.exp(-np.square(gap / np.float32(0.7)))
    line = np.exp(-np.square(gap / np.float32(0.35)))
    face.albedo *= (1 - np.float32(0.18) * line)[:, :, None]
    height = face.size_mm[1]
    face.note("joint", share * face.size_mm[0], height / 2, (height, 1.0, height))


def _draw_size(face: Face, limits: tuple[float, float]) -> float:
    low, high = np.log(limits)
    # Small ones are more common: the square pulls the draw towards the low end.
    return float(np.exp(low + (high - low) * face.rng.random() ** 2))


def _round_sizes(radius: float) -> tuple[float, float, float]:
    return 2 * radius, 2 * radius, float(np.pi * radius**2)


def _share_window(face: Face, place, radius: float, *, roughness: float):
    mouth = draw_mouth(face.rng, roughness=roughness, stretch=face.rng.uniform(1, 1.4))
    rows, cols, dx, dy = face.window(*place, 1.6 * radius * float(mouth.max()))
    turn = np.arctan2(dy, dx) * (N_DIRECTIONS / (2 * np.pi))
    lip = np.interp(turn % N_DIRECTIONS, np.arange(N_DIRECTIONS + 1), np.append(mouth, mouth[0]))
    return np.hypot(dx, dy) / (lip * radius), rows, cols


def _walk_line(face: Face, length_mm: float, *, bend: float) -> np.ndarray:
    n = max(int(length_mm / 2), 4)
    heading = face.rng.uniform(0, 2 * np.pi) + np.cumsum(face.rng.standard_normal(n) * bend)
    steps = np.column_stack([np.cos(heading), np.sin(heading)]) * (length_mm / n)
    line = np.cumsum(steps, axis=0)
    return line - line.mean(axis=0) + face.rng.random(2) * np.array(face.size_mm)


def _draw_line(
    face: Face,
    line_mm: np.ndarray,
    width_mm: float,
    *,
    depth_mm: float,
    tone: float,
    soft: float = 0.2,
) -> None:
    """Cut (or raise, with a depth below 0) a line of the given width into the face."""
    reach = 2 * width_mm + 3 * face.mm_per_px
    low = np.floor((line_mm.min(axis=0) - reach) / face.mm_per_px).astype(int)
    high = np.ceil((line_mm.max(axis=0) + reach) / face.mm_per_px).astype(int) + 1
    shape = face.height_mm.shape
    low, high = np.maximum(low, 0), np.minimum(high, (shape[1], shape[0]))
    if np.any(high - low < 2):
        return
    cover = np.zeros((high[1] - low[1], high[0] - low[0]), np.uint8)
    wide = width_mm / face.mm_per_px
    points = np.round((line_mm / face.mm_per_px - 0.5 - low) * 2**SHIFT).astype(np.int32)
    thick = max(round(wide), 1)
    cv2.polylines(cover, [points], False, 255, thick, cv2.LINE_AA, SHIFT)
    profile = cv2.GaussianBlur(
        cover.astype(np.float32) * np.float32(min(wide, 1.0) / 255), (0, 0), max(soft * wide, 0.45)
    )
    rows, cols = slice(low[1], high[1]), slice(low[0], high[0])
    face.height_mm[rows, cols] -= np.float32(depth_mm) * profile
    face.albedo[rows, cols] *= (1 + np.float32(tone - 1) * profile)[:, :, None]
