"""Made-up pits: what is missing from the face, with exact size, depth and volume.

A pit is one or more lobes. A lobe has a star-shaped mouth (a radius for every direction) and a
profile from its middle to its lip; the deepest lobe wins where lobes overlap. One lobe is
measured by integrals in polar coordinates, several on a fine grid, never on the photo's pixels.

Profiles (`PROFILES`): cap, wall (undercut seen from above: near upright sides), flat, bowl,
cone and power. Shapes (`SHAPES`) put lobes together: chipped lips, raised rims, merged pairs.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import cv2
import numpy as np

N_DIRECTIONS = 128
"""Directions in which a mouth's radius is known (our choice: smooth for every pit that fits a photo)."""

FINE_CELLS = 160
"""Cells across the window on which pits of several lobes are measured: area good to about .5 %."""

GAUSS_NODES, GAUSS_WEIGHTS = np.polynomial.legendre.leggauss(24)
"""Places and weights of the integral from a pit's middle to its lip (24 points: .01 % for a cap)."""


@dataclass(frozen=True, slots=True)
class Lobe:
    """One hollow with a star-shaped mouth.

    `x_mm, y_mm` from the pit's own origin; `radius_mm` of the circle of equal mouth area; `mouth`
    the radius per direction in units of `radius_mm` (direction 0 right, growing downward);
    `profile` a name in `PROFILES` and `shape_number` its free number; `slope` and `slope_deg` tilt
    the floor (share of the depth per radius); `rim_mm` height of a raised rim.
    """

    radius_mm: float
    depth_mm: float
    x_mm: float = 0.0
    y_mm: float = 0.0
    mouth: np.ndarray = field(default_factory=lambda: np.ones(N_DIRECTIONS, np.float32))
    profile: str = "cap"
    shape_number: float = 1.0
    slope: float = 0.0
    slope_deg: float = 0.0
    rim_mm: float = 0.0

    @property
    def reach_mm(self) -> float:
        """Return how far from the pit's origin this lobe, with its rim, can reach, mm."""
        spread = 1.5 if self.rim_mm > 0 else 1.0
        return float(np.hypot(self.x_mm, self.y_mm) + spread * self.radius_mm * self.mouth.max())

    def depth_at(self, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
        """Return the depth in mm (0 outside the mouth) at places given from the pit's origin."""
        dx, dy, share = self._share(x_mm, y_mm)
        depth = self.depth_mm * PROFILES[self.profile](
            np.minimum(share, 1.0), self.depth_mm / self.radius_mm, self.shape_number
        )
        if self.slope:
            angle = np.deg2rad(self.slope_deg)
            along = (dx * np.cos(angle) + dy * np.sin(angle)) / self.radius_mm
            depth = depth * np.clip(1.0 + self.slope * along, 0.15, None)
        return np.where(share < 1.0, depth, 0.0)

    def rim_at(self, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
        """Return the height in mm of the raised rim around the mouth (0 inside and far away)."""
        _, _, share = self._share(x_mm, y_mm)
        ring = self.rim_mm * np.exp(-np.square((share - 1.12) / 0.13))
        return np.where(share >= 1.0, ring, 0.0)

    def _share(
        self, x_mm: np.ndarray, y_mm: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        dx, dy = x_mm - self.x_mm, y_mm - self.y_mm
        turn = np.arctan2(dy, dx) * (N_DIRECTIONS / (2 * np.pi))
        low = np.floor(turn).astype(np.intp)
        part = turn - low
        closed = self.mouth
        lip = closed[low % N_DIRECTIONS] * (1 - part) + closed[(low + 1) % N_DIRECTIONS] * part
        return dx, dy, np.hypot(dx, dy) / (lip * self.radius_mm)


@dataclass(frozen=True, slots=True)
class Pit:
    """One made-up pit: lobes around an origin `x_mm, y_mm` on the slab, and the name of its shape."""

    x_mm: float
    y_mm: float
    lobes: tuple
    shape: str

    @property
    def reach_mm(self) -> float:
        """Return the radius in mm of the circle around the origin that holds the pit and its rim."""
        return max(lobe.reach_mm for lobe in self.lobes)

    def depth_at(self, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
        """Return the depth in mm at slab places, 0 outside the mouth."""
        depths = [lobe.depth_at(x_mm - self.x_mm, y_mm - self.y_mm) for lobe in self.lobes]
        return depths[0] if len(depths) == 1 else np.maximum.reduce(depths)

    def rim_at(self, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
        """Return the height in mm of raised rims at slab places."""
        rims = [
            lobe.rim_at(x_mm - self.x_mm, y_mm - self.y_mm)
            for lobe in self.lobes
            if getattr(lobe, "rim_mm", 0.0) > 0
        ]
        return np.maximum.reduce(rims) if rims else np.zeros(np.shape(x_mm), np.float32)


def measure_pit(pit: Pit) -> dict[str, float | str]:
    """Return position, sizes (mm), mouth area (mm2), depth (mm) and volume (mm3) of a made-up pit.

    The position is the centre of the mouth's area. `diameter_mm` is the circle of equal mouth
    area, `length_mm` and `width_mm` the largest and smallest caliper.

    Errors of the answer
    --------------------
    One lobe: below .1 %. Several lobes: about .5 % of the area, 1 % of the calipers.

    Source
    ------
    Definitions of DEVELOPERS.md; plain integration.
    """
    lone = len(pit.lobes) == 1 and isinstance(pit.lobes[0], Lobe)
    sizes = _integrate_lobe(pit.lobes[0]) if lone else _integrate_window(pit)
    area = sizes["area_mm2"]
    return {
        "x_mm": pit.x_mm + sizes.pop("dx_mm"),
        "y_mm": pit.y_mm + sizes.pop("dy_mm"),
        "diameter_mm": 2 * float(np.sqrt(area / np.pi)),
        **sizes,
        "shape": pit.shape,
    }


def build_pit(
    shape: str, x_mm: float, y_mm: float, *, diameter_mm: float, depth_ratio: float, rng=None
) -> Pit:
    """Return a pit of the named shape, drawn by chance within what that shape allows.

    Parameters
    ----------
    shape : a name in `SHAPES`.
    x_mm, y_mm : place on the slab, mm.
    diameter_mm : mouth wanted, mm; merged and chipped pits come out larger.
    depth_ratio : depth / diameter wanted, 0 to about 1.
    rng : source of chance; not needed for "cap".

    Errors of the answer
    --------------------
    None; measure the pit with `measure_pit` rather than trusting the wanted size.

    Source
    ------
    Our choice, after the finisher's names in reference sheets of the trade.
    """
    lobes = SHAPES[shape](diameter_mm / 2, depth_ratio * diameter_mm, rng)
    return Pit(float(x_mm), float(y_mm), tuple(lobes), shape)


def draw_mouth(rng: np.random.Generator, *, roughness: float, stretch: float = 1.0) -> np.ndarray:
    """Return the radius of a ragged mouth in 128 directions, scaled to the area of a unit circle.

    `roughness` 0 (ellipse) to about .3 (ragged), `stretch` the ratio of the axes, 1 or more.

    Errors of the answer: the area is exact for straight radius steps between directions.
    Source: our choice (a few random harmonics).
    """
    angle = np.arange(N_DIRECTIONS) * (2 * np.pi / N_DIRECTIONS)
    turn = rng.uniform(0, np.pi)
    radius = 1 / np.sqrt(
        np.square(np.cos(angle - turn)) / stretch + np.square(np.sin(angle - turn)) * stretch
    )
    for order in range(2, 9):
        swing = 1.6 * roughness * rng.standard_normal() / order**1.6
        radius = radius * (1 + swing * np.cos(order * angle + rng.uniform(0, 2 * np.pi)))
    radius = np.maximum(radius, 0.25)
    return (radius / np.sqrt(_mouth_area(radius) / np.pi)).astype(np.float32)


def _mouth_area(radius: np.ndarray) -> float:
    after = np.roll(radius, -1)
    step = 2 * np.pi / len(radius)
    return float(np.sum(radius**2 + radius * after + after**2) * step / 6)


def _integrate_lobe(lobe: Lobe) -> dict[str, float]:
    angle = (np.arange(4 * N_DIRECTIONS) + 0.5) * (2 * np.pi / (4 * N_DIRECTIONS))
    place = angle * (N_DIRECTIONS / (2 * np.pi))
    lip = lobe.radius_mm * np.interp(
        place, np.arange(N_DIRECTIONS + 1), np.append(lobe.mouth, lobe.mouth[0])
    )
    share, weights = (GAUSS_NODES + 1) / 2, GAUSS_WEIGHTS / 2
    radius = share[:, None] * lip
    x, y = lobe.x_mm + radius * np.cos(angle), lobe.y_mm + radius * np.sin(angle)
    depth = lobe.depth_at(x, y)
    cell = weights[:, None] * radius * lip * (2 * np.pi / len(angle))
    area = float(cell.sum())
    corners = np.column_stack([lip * np.cos(angle), lip * np.sin(angle)])
    length, width = measure_calipers(corners)
    return {
        "dx_mm": float((cell * x).sum() / area),
        "dy_mm": float((cell * y).sum() / area),
        "length_mm": length,
        "width_mm": width,
        "area_mm2": area,
        "depth_mm": float(max(depth.max(), lobe.depth_at(np.array(lobe.x_mm), lobe.y_mm))),
        "volume_mm3": float((cell * depth).sum()),
    }


def _integrate_window(pit: Pit) -> dict[str, float]:
    reach = pit.reach_mm * 1.02
    step = 2 * reach / FINE_CELLS
    axis = (np.arange(FINE_CELLS) + 0.5) * step - reach
    x, y = np.meshgrid(axis, axis)
    depth = pit.depth_at(x + pit.x_mm, y + pit.y_mm)
    inside = depth > 0
    area = float(inside.sum()) * step**2
    rows, cols = np.nonzero(inside)
    length, width = measure_calipers(np.column_stack([axis[cols], axis[rows]]), step=step)
    return {
        "dx_mm": float(axis[cols].mean()),
        "dy_mm": float(axis[rows].mean()),
        "length_mm": length,
        "width_mm": width,
        "area_mm2": area,
        "depth_mm": float(depth.max()),
        "volume_mm3": float(depth.sum()) * step**2,
    }


def measure_calipers(points_mm: np.ndarray, *, step: float = 0.0) -> tuple[float, float]:
    """Return the largest and the smallest caliper in mm of points (n, 2); `step` is added for cells.

    Errors of the answer: directions are tried every degree, below .02 % for convex outlines.
    Source: definition (width of the convex hull between parallel lines).
    """
    hull = cv2.convexHull(points_mm.astype(np.float32)).reshape(-1, 2)
    angle = np.deg2rad(np.arange(180.0))
    along = hull @ np.array([np.cos(angle), np.sin(angle)])
    calipers = along.max(axis=0) - along.min(axis=0) + step
    return float(calipers.max()), float(calipers.min())


def _cap(share: np.ndarray, ratio: float, _number: float) -> np.ndarray:
    sphere = (1 + ratio**2) / (2 * ratio)
    height = np.sqrt(np.maximum(sphere**2 - np.square(share), 0.0)) - (sphere - ratio)
    return np.maximum(height, 0.0) / ratio


def _wall(share: np.ndarray, _ratio: float, number: float) -> np.ndarray:
    return np.power(np.maximum(1 - np.power(share, 6 * number), 0.0), 0.35)


def _flat(share: np.ndarray, _ratio: float, number: float) -> np.ndarray:
    return np.minimum((1 - share) / (0.3 * number), 1.0)


def _bowl(share: np.ndarray, _ratio: float, number: float) -> np.ndarray:
    return np.power(1 - np.square(share), 1.25 * number)


def _cone(share: np.ndarray, _ratio: float, _number: float) -> np.ndarray:
    return 1 - share


def _power(share: np.ndarray, _ratio: float, number: float) -> np.ndarray:
    return 1 - np.power(share, number)


PROFILES: dict[str, Callable] = {
    "cap": _cap,
    "wall": _wall,
    "flat": _flat,
    "bowl": _bowl,
    "cone": _cone,
    "power": _power,
}


def _shape_cap(radius: float, depth: float, _rng) -> list[Lobe]:
    return [Lobe(radius, min(depth, radius))]


def _shape_undercut(radius: float, depth: float, rng) -> list[Lobe]:
    mouth = draw_mouth(rng, roughness=0.14, stretch=rng.uniform(1.0, 1.4))
    return [Lobe(radius, depth, mouth=mouth, profile="wall", shape_number=rng.uniform(0.6, 1.6))]


def _shape_ragged(radius: float, depth: float, rng) -> list[Lobe]:
    mouth = draw_mouth(rng, roughness=0.25, stretch=rng.uniform(1.0, 1.5))
    lobe = Lobe(
        radius,
        depth,
        mouth=mouth,
        profile="wall" if rng.random() < 0.4 else "power",
        shape_number=rng.uniform(1.2, 3.0),
        slope=rng.uniform(0, 0.4),
        slope_deg=rng.uniform(0, 360),
        rim_mm=float(rng.random() < 0.3) * rng.uniform(0.02, 0.06) * radius,
    )
    return [lobe]


def _shape_chipped(radius: float, depth: float, rng) -> list[Lobe]:
    lobes = _shape_ragged(radius, depth, rng)
    for _ in range(int(rng.integers(1, 4))):
        angle = rng.uniform(0, 2 * np.pi)
        chip = radius * rng.uniform(0.3, 0.55)
        lobes.append(
            Lobe(
                chip,
                depth * rng.uniform(0.15, 0.4),
                x_mm=0.85 * radius * np.cos(angle),
                y_mm=0.85 * radius * np.sin(angle),
                mouth=draw_mouth(rng, roughness=0.2, stretch=rng.uniform(1.0, 1.8)),
                profile="flat",
                shape_number=2.0,
            )
        )
    return lobes


def _shape_merged(radius: float, depth: float, rng) -> list[Lobe]:
    angle = rng.uniform(0, 2 * np.pi)
    second = radius * rng.uniform(0.5, 0.95)
    gap = (radius + second) * rng.uniform(0.6, 0.9)
    return [
        Lobe(radius, depth, mouth=draw_mouth(rng, roughness=0.08), profile="wall"),
        Lobe(
            second,
            depth * second / radius,
            x_mm=gap * np.cos(angle),
            y_mm=gap * np.sin(angle),
            mouth=draw_mouth(rng, roughness=0.12),
            profile="bowl",
            shape_number=0.6,
        ),
    ]


def _shape_rimmed(radius: float, depth: float, rng) -> list[Lobe]:
    mouth = draw_mouth(rng, roughness=0.08)
    return [
        Lobe(radius, depth, mouth=mouth, profile="bowl", shape_number=0.5, rim_mm=0.05 * radius)
    ]


def _shape_flat(radius: float, depth: float, rng) -> list[Lobe]:
    mouth = draw_mouth(rng, roughness=0.1, stretch=rng.uniform(1.0, 1.6))
    number = rng.uniform(0.4, 1.5)
    return [Lobe(radius, depth, mouth=mouth, profile="flat", shape_number=number)]


def _shape_dish(radius: float, depth: float, rng) -> list[Lobe]:
    mouth = draw_mouth(rng, roughness=0.08, stretch=rng.uniform(1.0, 1.4))
    return [Lobe(radius, depth, mouth=mouth, profile="bowl", shape_number=rng.uniform(0.6, 1.0))]


def _shape_sloped(radius: float, depth: float, rng) -> list[Lobe]:
    mouth = draw_mouth(rng, roughness=0.1, stretch=rng.uniform(1.0, 1.5))
    return [
        Lobe(
            radius,
            depth,
            mouth=mouth,
            profile="flat",
            shape_number=rng.uniform(0.6, 1.8),
            slope=rng.uniform(0.4, 0.8),
            slope_deg=rng.uniform(0, 360),
        )
    ]


def _shape_elongated(radius: float, depth: float, rng) -> list[Lobe]:
    mouth = draw_mouth(rng, roughness=0.1, stretch=rng.uniform(1.8, 3.2))
    profile = "bowl" if rng.random() < 0.5 else "flat"
    return [Lobe(radius, depth, mouth=mouth, profile=profile, shape_number=rng.uniform(0.5, 1.2))]


def _shape_cone(radius: float, depth: float, rng) -> list[Lobe]:
    return [Lobe(radius, depth, mouth=draw_mouth(rng, roughness=0.15), profile="cone")]


def _shape_graded(radius: float, depth: float, rng) -> list[Lobe]:
    mouth = draw_mouth(rng, roughness=0.18, stretch=rng.uniform(1.0, 1.5))
    number = rng.uniform(0.7, 2.5)
    return [Lobe(radius, depth, mouth=mouth, profile="power", shape_number=number)]


SHAPES: dict[str, Callable] = {
    "cap": _shape_cap,
    "undercut": _shape_undercut,
    "ragged": _shape_ragged,
    "chipped": _shape_chipped,
    "merged": _shape_merged,
    "rimmed": _shape_rimmed,
    "flat": _shape_flat,
    "dish": _shape_dish,
    "sloped": _shape_sloped,
    "elongated": _shape_elongated,
    "cone": _shape_cone,
    "graded": _shape_graded,
}
