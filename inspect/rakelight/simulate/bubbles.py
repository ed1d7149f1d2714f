"""The held-out test generator: true bubbles cut by the face, sand grains as a mosaic of cells.

Nothing here shares its construction with the other generators. A pit is a union of spheres under
(or just above) the face, kept where their roof is missing or thinner than a skin that breaks away:
the mouth of a deep bubble is smaller than the bubble, so its edge drops straight down. The face
is fractal noise by a power spectrum plus a mosaic of nearest-grain cells. No sorter may be
trained on it: it exists to say how a trained one does on what it has never seen.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from scipy import fft

from .pits import Pit
from .places import Board, draw_diameters
from .texture import measure_slope

if TYPE_CHECKING:
    from .slab import SlabRecipe

SKIN_MM = 0.12
"""Roof thinner than this has broken away, mm (our choice)."""


@dataclass(frozen=True, slots=True)
class Bubble:
    """A sphere: centre `x_mm, y_mm` from the pit's origin and `below_mm` under the face (may be < 0)."""

    radius_mm: float
    below_mm: float
    x_mm: float = 0.0
    y_mm: float = 0.0
    rim_mm: float = 0.0

    @property
    def mouth_mm(self) -> float:
        """Return the radius of the hole in the face, mm."""
        roof = max(self.below_mm - SKIN_MM, 0.0) if self.below_mm > 0 else self.below_mm
        return float(np.sqrt(max(self.radius_mm**2 - roof**2, 0.0)))

    @property
    def reach_mm(self) -> float:
        """Return how far from the pit's origin the hole reaches, mm."""
        return float(np.hypot(self.x_mm, self.y_mm)) + self.mouth_mm

    def depth_at(self, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
        """Return the depth in mm at places from the pit's origin, 0 outside the mouth."""
        away2 = np.square(x_mm - self.x_mm) + np.square(y_mm - self.y_mm)
        bottom = self.below_mm + np.sqrt(np.maximum(self.radius_mm**2 - away2, 0.0))
        return np.where(away2 < self.mouth_mm**2, np.maximum(bottom, 0.0), 0.0)


def draw_bubbles(recipe: "SlabRecipe", board: Board, rng: np.random.Generator) -> list[Pit]:
    """Return pits made of one to four bubbles each, cut by the face.

    Errors of the answer: `depth_ratio` and `shapes` of the recipe are not used; depth follows from
    where the bubble lies.
    Source: our choice, after how entrapped air meets a form face.
    """
    wanted = recipe.draw_count(rng)
    diameters = draw_diameters(
        wanted,
        rng,
        median_mm=recipe.diameter_median_mm,
        spread=recipe.diameter_spread,
        smallest_mm=recipe.smallest_mm,
        largest_mm=recipe.largest_mm,
    )
    centres = rng.random((max(wanted // 12, 1), 2)) * np.array(recipe.size_mm)
    pits = []
    for diameter in diameters:
        group = _draw_group(float(diameter) / 2, rng)
        reach = max(bubble.reach_mm for bubble in group)
        centre = (
            centres[rng.integers(len(centres))] if rng.random() < recipe.cluster_share else None
        )
        place = board.find_place(reach, centre_mm=centre, spread_mm=recipe.cluster_mm)
        if place is not None:
            shape = "bubble" if len(group) == 1 else "bubbles"
            pits.append(Pit(place[0], place[1], tuple(group), shape))
    return pits


def make_sand_face(recipe: "SlabRecipe", rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return height (mm) and albedo of a fractal face with a mosaic of sand grains.

    Errors of the answer: the rms slope is exact on the grid; tone patches follow the same fractal.
    Source: power-law spectrum and nearest-seed cells, common practice; numbers our choice.
    """
    shape, grid = recipe.shape_px, recipe.mm_per_px
    cell, near = _lay_grains(shape, grid, rng)
    n_grains = int(cell.max()) + 1
    height = draw_fractal(shape, rng, power=1.7)
    lift = rng.standard_normal(n_grains).astype(np.float32)[cell] * np.clip(near * 3, 0, 1)
    lift = cv2.GaussianBlur(lift, (0, 0), max(0.15 / grid, 0.5))
    height = height / measure_slope(height, grid) + 0.8 * lift / measure_slope(lift, grid)
    height *= np.float32(recipe.slope_rms / measure_slope(height, grid))
    swell = draw_fractal(shape, rng, power=3.2)
    height += swell * np.float32(recipe.unevenness_mm)
    tone = 1 + np.float32(recipe.mottling) * draw_fractal(shape, rng, power=2.2)
    shades = 1 + 0.5 * np.float32(recipe.specks) * rng.standard_t(3, n_grains).astype(np.float32)
    tone *= np.clip(shades, 0.6, 1.5)[cell]
    tint = np.array(recipe.tint, np.float32) * np.float32(recipe.albedo)
    return height.astype(np.float32), np.maximum(tone, 0.1)[:, :, None] * tint


def draw_fractal(shape: tuple[int, int], rng: np.random.Generator, *, power: float) -> np.ndarray:
    """Return fractal noise of mean 0, standard deviation 1 and amplitude spectrum 1 / f^power.

    Errors of the answer: it repeats at the borders of the transform, which are cut off.
    Source: spectral synthesis, common practice.
    """
    rows, cols = (fft.next_fast_len(side + side // 8, real=True) for side in shape)
    spectrum = fft.rfft2(rng.standard_normal((rows, cols), dtype=np.float32))
    fy = np.fft.fftfreq(rows).astype(np.float32)[:, None]
    fx = np.fft.rfftfreq(cols).astype(np.float32)[None, :]
    far = np.sqrt(np.square(fy) + np.square(fx))
    far[0, 0] = 1.0
    spectrum *= np.power(far, -np.float32(power))
    spectrum[0, 0] = 0
    noise = fft.irfft2(spectrum, s=(rows, cols))[: shape[0], : shape[1]]
    noise = noise - noise.mean()
    return (noise / noise.std()).astype(np.float32)


def _draw_group(radius: float, rng: np.random.Generator) -> list[Bubble]:
    # A share of the radius from well above the face (a shallow cap) to nearly all below it.
    below = radius * rng.uniform(-0.75, 0.8)
    grown = radius / np.sqrt(1 - (below / radius) ** 2)
    group = [Bubble(grown, below * grown / radius)]
    for _ in range(int(rng.choice(4, p=[0.62, 0.22, 0.11, 0.05]))):
        small = radius * rng.uniform(0.25, 0.7)
        angle = rng.uniform(0, 2 * np.pi)
        away = radius * rng.uniform(0.75, 1.0) + 0.35 * small
        group.append(
            Bubble(
                small, small * rng.uniform(-0.3, 0.6), away * np.cos(angle), away * np.sin(angle)
            )
        )
    return group


def _lay_grains(
    shape: tuple[int, int], grid: float, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    n = int(shape[0] * shape[1] * grid**2 / 0.55) + 4
    seeds = np.full(shape, 255, np.uint8)
    seeds[rng.integers(shape[0], size=n), rng.integers(shape[1], size=n)] = 0
    far, cell = cv2.distanceTransformWithLabels(
        seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    return cell, np.exp(-far * np.float32(grid))
