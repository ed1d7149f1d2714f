"""Made-up slabs: what is asked for (`SlabRecipe`), what comes out (`Slab`) and `make_slab`.

Six generators exist, named by `SlabRecipe.generator` and set up by `recipes.choose_recipe`. Five
build pits from mouths and profiles (`pits`); the sixth, "bubbles", cuts true bubbles by the face
and lays its own sand (`bubbles`): it is the **held-out test generator**, never trained on.
"""

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from ..core.checks import check_number, check_positive
from . import bubbles, marks, texture
from .pits import Pit, build_pit, measure_pit
from .places import Board, draw_diameters

PIT_TRUTH_COLUMNS = {
    "truth_id": "int64",
    "x_mm": "float64",
    "y_mm": "float64",
    "diameter_mm": "float64",
    "length_mm": "float64",
    "width_mm": "float64",
    "area_mm2": "float64",
    "depth_mm": "float64",
    "volume_mm3": "float64",
    "shape": "str",
    "filled": "bool",
    "state": "str",
}
"""Columns of the truth table of pits: mm, mm2, mm3; state is open, closed, dished or new."""


@dataclass(frozen=True, slots=True)
class SlabRecipe:
    """What a made-up slab holds. All sizes in mm, all densities per square metre.

    Parameters
    ----------
    name : for people. generator : "profiles" or "bubbles" (see `bubbles`).
    size_mm : width, height. mm_per_px : size of a pixel of the slab's grid.
    n_pits : exact number, or None to use `pits_per_m2`; fewer when there is no room.
    diameter_median_mm, diameter_spread, smallest_mm, largest_mm : log-normal sizes.
    depth_ratio : least and greatest depth / diameter.
    shapes : pairs (name in `pits.SHAPES`, weight).
    cluster_share : share of the pits in clusters of about 12; cluster_mm : their spread.
    slope_rms : rms slope of the face, .01 to .08. waves : (wavelength mm, share of variance).
    grain_stretch, grain_deg : brushed or trowelled direction. unevenness_mm : long swell, rms.
    albedo : linear reflectance of the paste. tint : its red, green, blue factors.
    mottling : rms of the tone patches, share. specks : share of the face under sand specks.
    gloss : strength of the sheen, 0 matt to .5 hard-trowelled skin.
    *_per_m2, n_cracks, n_trowel_arcs : marks that are not pits. *_mm : their sizes.
    joint_share : where two batches meet, share of the width, None for one batch; joint_tone_step
    and joint_lip_mm : how it shows. board_mm : pitch of form-board ridges along y, None for none.
    """

    name: str = "caps"
    generator: str = "profiles"
    size_mm: tuple[float, float] = (300.0, 200.0)
    mm_per_px: float = 0.2
    n_pits: int | None = None
    pits_per_m2: float = 1500.0
    diameter_median_mm: float = 2.0
    diameter_spread: float = 0.65
    smallest_mm: float = 0.5
    largest_mm: float = 20.0
    depth_ratio: tuple[float, float] = (0.15, 0.5)
    shapes: tuple[tuple[str, float], ...] = (("cap", 1.0),)
    cluster_share: float = 0.25
    cluster_mm: float = 14.0
    slope_rms: float = 0.025
    waves: tuple[tuple[float, float], ...] = ((0.9, 0.45), (2.5, 0.35), (8.0, 0.2))
    grain_stretch: float = 1.0
    grain_deg: float = 0.0
    unevenness_mm: float = 0.12
    albedo: float = 0.36
    tint: tuple[float, float, float] = (1.025, 1.0, 0.945)
    mottling: float = 0.04
    specks: float = 0.04
    gloss: float = 0.03
    bumps_per_m2: float = 120.0
    bump_mm: tuple[float, float] = (0.8, 8.0)
    stains_per_m2: float = 120.0
    stain_mm: tuple[float, float] = (1.0, 14.0)
    grains_per_m2: float = 1200.0
    grain_mm: tuple[float, float] = (0.4, 1.8)
    crumbs_per_m2: float = 60.0
    crumb_mm: tuple[float, float] = (0.4, 1.6)
    scratches_per_m2: float = 40.0
    n_cracks: int = 0
    n_trowel_arcs: int = 0
    joint_share: float | None = None
    joint_tone_step: float = 0.1
    joint_lip_mm: float = 0.05
    board_mm: float | None = None

    def __post_init__(self) -> None:
        check_positive(self.mm_per_px, "mm_per_px")
        check_positive(min(self.size_mm), "size_mm")
        check_number(self.slope_rms, "slope_rms", low=0, high=0.5)
        check_number(self.depth_ratio[0], "depth_ratio", low=0.001, high=self.depth_ratio[1])

    @property
    def shape_px(self) -> tuple[int, int]:
        """Return rows and columns of the slab's grid."""
        return (
            max(round(self.size_mm[1] / self.mm_per_px), 1),
            max(round(self.size_mm[0] / self.mm_per_px), 1),
        )

    def draw_count(self, rng: np.random.Generator) -> int:
        """Return how many pits the recipe asks for, by chance (Poisson) when given as a density."""
        if self.n_pits is not None:
            return self.n_pits
        return int(rng.poisson(self.pits_per_m2 * self.size_mm[0] * self.size_mm[1] / 1e6))


@dataclass(frozen=True, slots=True)
class Slab:
    """A made-up slab with its truth.

    `height_mm` float32 (rows, cols), mm, face near 0, pits below; `albedo` float32 (rows, cols, 3)
    linear reflectance; `pit_depth_mm` what the open pits take away and `pit_index` int32 which pit
    (`truth_id`, 0 none; closed and dished pits keep theirs); `pits` and `marks` truth tables.
    """

    height_mm: np.ndarray
    albedo: np.ndarray
    mm_per_px: float
    pits: pd.DataFrame
    marks: pd.DataFrame
    pit_depth_mm: np.ndarray
    pit_index: np.ndarray
    gloss: float = 0.0
    recipe: SlabRecipe = field(default_factory=SlabRecipe)

    @property
    def size_mm(self) -> tuple[float, float]:
        """Return width and height of the slab's grid, mm."""
        rows, cols = self.height_mm.shape
        return cols * self.mm_per_px, rows * self.mm_per_px


def make_slab(recipe: SlabRecipe, *, seed: int, pits: list[Pit] | None = None) -> Slab:
    """Return a slab made to the recipe, with the exact truth of its pits and marks.

    Parameters
    ----------
    recipe : what the slab holds.
    seed : the same seed and recipe give the same slab, bit for bit on one machine.
    pits : made-up pits to use instead of drawing any (for tests that place their own).

    Returns
    -------
    Slab; no pits is an empty table with all columns.

    Errors of the answer
    --------------------
    Truth comes from the shapes, not from the grid: a pit of 1 px still has its true area.
    Pits never overlap; the wanted density is missed when there is no room.

    Source
    ------
    Our choice, after the trade's names for what is seen on a demolded top.
    """
    streams = [np.random.default_rng([seed, number]) for number in range(4)]
    board = Board(recipe.size_mm, streams[1])
    if pits is None:
        draw = bubbles.draw_bubbles if recipe.generator == "bubbles" else draw_pits
        pits = draw(recipe, board, streams[1])
    else:
        for pit in pits:
            board.take((pit.x_mm, pit.y_mm), pit.reach_mm)
    height, albedo = _make_face(recipe, streams[0])
    face = marks.Face(height, albedo, recipe.mm_per_px, board, streams[2], [])
    _draw_marks(face, recipe)
    depth, index = carve_pits(face, pits)
    return Slab(
        height_mm=face.height_mm,
        albedo=np.clip(face.albedo, 0.01, 0.95),
        mm_per_px=recipe.mm_per_px,
        pits=build_truth([measure_pit(pit) for pit in pits]),
        marks=marks.build_mark_table(face.rows),
        pit_depth_mm=depth,
        pit_index=index,
        gloss=recipe.gloss,
        recipe=recipe,
    )


def draw_pits(recipe: SlabRecipe, board: Board, rng: np.random.Generator) -> list[Pit]:
    """Return the pits of a recipe, largest placed first, none overlapping.

    Errors of the answer: pits that find no room are left out.
    Source: our choice.
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
    names, weights = zip(*recipe.shapes, strict=True)
    chosen = rng.choice(len(names), size=wanted, p=np.array(weights) / sum(weights))
    ratios = rng.uniform(*recipe.depth_ratio, size=wanted)
    centres = rng.random((max(wanted // 12, 1), 2)) * np.array(recipe.size_mm)
    pits = []
    for diameter, which, ratio in zip(diameters, chosen, ratios, strict=True):
        pit = build_pit(names[which], 0.0, 0.0, diameter_mm=diameter, depth_ratio=ratio, rng=rng)
        centre = (
            centres[rng.integers(len(centres))] if rng.random() < recipe.cluster_share else None
        )
        place = board.find_place(pit.reach_mm, centre_mm=centre, spread_mm=recipe.cluster_mm)
        if place is not None:
            pits.append(replace(pit, x_mm=place[0], y_mm=place[1]))
    return pits


def carve_pits(face: marks.Face, pits: list[Pit]) -> tuple[np.ndarray, np.ndarray]:
    """Return depth map (mm) and pit index, after taking the pits out of the face in place.

    Errors of the answer: small pits are averaged over 3 x 3 points per pixel, large ones sampled
    at the pixel's centre.
    Source: definition.
    """
    depth = np.zeros(face.height_mm.shape, np.float32)
    index = np.zeros(face.height_mm.shape, np.int32)
    for number, pit in enumerate(pits, start=1):
        rows, cols, dx, dy = face.window(pit.x_mm, pit.y_mm, pit.reach_mm)
        taken, cover = _sample_pit(pit, dx, dy, face.mm_per_px)
        rim = pit.rim_at(dx + pit.x_mm, dy + pit.y_mm)
        depth[rows, cols] = np.maximum(depth[rows, cols], taken)
        index[rows, cols][cover >= 0.5] = number
        face.height_mm[rows, cols] += (rim - taken).astype(np.float32)
        face.albedo[rows, cols] *= (1 - 0.06 * cover[:, :, None]).astype(np.float32)
    return depth, index


def build_truth(rows: list[dict]) -> pd.DataFrame:
    """Return the truth table of pits, numbered from 1 in the order given, all of them open.

    Errors of the answer: none. Source: not needed.
    """
    table = pd.DataFrame(rows, columns=[name for name in PIT_TRUTH_COLUMNS])
    table["truth_id"] = np.arange(1, len(table) + 1)
    table["filled"] = False
    table["state"] = "open"
    return table.astype(PIT_TRUTH_COLUMNS)


def _sample_pit(pit: Pit, dx: np.ndarray, dy: np.ndarray, mm_per_px: float):
    x, y = np.broadcast_arrays(dx + pit.x_mm, dy + pit.y_mm)
    if pit.reach_mm > 8 * mm_per_px:
        depth = pit.depth_at(x, y)
        return depth, (depth > 0).astype(np.float64)
    parts = (np.array([-1, 0, 1]) / 3 * mm_per_px)[:, None, None, None]
    fine = pit.depth_at(x + parts, y + np.swapaxes(parts, 0, 1))
    return fine.mean(axis=(0, 1)), (fine > 0).mean(axis=(0, 1))


def _make_face(recipe: SlabRecipe, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    if recipe.generator == "bubbles":
        return bubbles.make_sand_face(recipe, rng)
    shape, grid = recipe.shape_px, recipe.mm_per_px
    height = texture.draw_relief(
        shape,
        grid,
        rng,
        slope_rms=recipe.slope_rms,
        waves=recipe.waves,
        stretch=recipe.grain_stretch,
        angle_deg=recipe.grain_deg,
    )
    if recipe.board_mm is not None:
        height += texture.draw_board_ridges(shape, grid, rng, pitch_mm=recipe.board_mm)
    if recipe.unevenness_mm > 0:
        height += np.float32(recipe.unevenness_mm) * texture.draw_noise(shape, 150.0 / grid, rng)
    return height, texture.draw_concrete_tone(shape, grid, recipe, rng)


def _draw_marks(face: marks.Face, recipe: SlabRecipe) -> None:
    if recipe.joint_share is not None:
        marks.draw_joint(
            face,
            recipe.joint_share,
            tone_step=recipe.joint_tone_step,
            lip_mm=recipe.joint_lip_mm,
        )
    marks.draw_trowel_arcs(face, recipe.n_trowel_arcs)
    marks.draw_bumps(face, recipe.bumps_per_m2, diameter_mm=recipe.bump_mm)
    marks.draw_stains(face, recipe.stains_per_m2, diameter_mm=recipe.stain_mm)
    marks.draw_scratches(face, recipe.scratches_per_m2)
    marks.draw_cracks(face, recipe.n_cracks)
    marks.draw_crumbs(face, recipe.crumbs_per_m2, diameter_mm=recipe.crumb_mm)
    marks.draw_grains(face, recipe.grains_per_m2, diameter_mm=recipe.grain_mm)
