"""What a repair leaves behind: pits closed, pits that sank to a dish, pits forgotten and new ones.

`fill_pits` makes the after-repair slab from the slab before; the truth says the state of every pit.
"""

from dataclasses import replace

import cv2
import numpy as np
import pandas as pd

from ..core.checks import check_number
from .marks import Face
from .pits import Pit, build_pit, measure_pit
from .places import Board, draw_diameters
from .slab import Slab, build_truth, carve_pits
from .texture import draw_noise


def fill_pits(
    slab: Slab,
    *,
    fraction: float = 0.9,
    dished_fraction: float = 0.12,
    n_new: int = 0,
    tone_offset: float = -0.08,
    seed: int = 0,
) -> Slab:
    """Return the slab after a repair; the slab before is not changed.

    Parameters
    ----------
    slab : the slab before.
    fraction : share of the open pits that got filler, 0 to 1.
    dished_fraction : share of the filled ones whose filler sank, 0 to 1.
    n_new : pits opened by honing since.
    tone_offset : relative change of reflectance under filler, below 0 darker.
    seed : chance.

    Returns
    -------
    Slab; in `pits`, `state` is open, closed, dished or new and `filled` says whether filler went in.
    Place, diameter and shape stay those of the mouth; depth and volume are what is left open.

    Errors of the answer
    --------------------
    Depth and volume of dished pits are read off the grid: good to a few per cent above 10 px.

    Source
    ------
    Our choice, after the trade: filler shrinks, bridges and dries in another tone.
    """
    for share, name in ((fraction, "fraction"), (dished_fraction, "dished_fraction")):
        check_number(share, name, low=0, high=1)
    rng = np.random.default_rng([seed, 41])
    after = replace(
        slab,
        height_mm=slab.height_mm.copy(),
        albedo=slab.albedo.copy(),
        pit_depth_mm=slab.pit_depth_mm.copy(),
        pit_index=slab.pit_index.copy(),
        pits=slab.pits.copy(),
    )
    tone = draw_noise(slab.height_mm.shape, max(1.5 / slab.mm_per_px, 1.0), rng)
    for row in np.flatnonzero(slab.pits["state"] == "open"):
        if rng.random() < fraction:
            state = "dished" if rng.random() < dished_fraction else "closed"
            _fill_one(after, int(row), state, tone_offset * rng.uniform(0.6, 1.4), tone, rng)
    return _open_new(after, n_new, rng) if n_new > 0 else after


def _fill_one(
    slab: Slab, row: int, state: str, offset: float, tone: np.ndarray, rng: np.random.Generator
) -> None:
    pit = slab.pits.iloc[row]
    window, filler = _find_mouth(slab, pit)
    depth = slab.pit_depth_mm[window]
    left = np.zeros(depth.shape, np.float32)
    if state == "dished" and filler.any():
        deep = float(depth[filler].max()) * rng.uniform(0.15, 0.4)
        inward = cv2.distanceTransform(filler.astype(np.uint8), cv2.DIST_L2, 5)
        inward = np.minimum(inward / max(float(inward.max()), 1e-6), 1)
        # A sagging face is smooth: without this the ridges of the distance map would show.
        soft = max(0.12 * pit["width_mm"] / slab.mm_per_px, 0.5)
        sag = cv2.GaussianBlur(deep * (1 - np.square(1 - inward)), (0, 0), soft)
        left = np.where(filler, np.minimum(sag, depth), 0).astype(np.float32)
    slab.height_mm[window] += np.where(filler, depth - left, 0)
    _cut_back(slab.height_mm[window], filler, left, pit["width_mm"] / slab.mm_per_px)
    slab.pit_depth_mm[window] = np.where(filler, left, depth)
    cover = cv2.GaussianBlur(filler.astype(np.float32), (0, 0), 0.8)
    patch = (1 + offset * (1 + 0.25 * tone[window])) / (1 - 0.06)
    slab.albedo[window] *= (1 + cover * (patch - 1))[:, :, None].astype(np.float32)
    cell = slab.mm_per_px**2
    slab.pits.loc[slab.pits.index[row], ["state", "filled", "depth_mm", "volume_mm3"]] = [
        state,
        True,
        float(left.max()),
        float(left.sum()) * cell,
    ]


def _cut_back(
    height_mm: np.ndarray, filler: np.ndarray, left_mm: np.ndarray, width_px: float
) -> None:
    """Hone off, in place, the raised rim around a filled mouth: what stands proud of its surroundings."""
    reach = 2 * int(0.3 * width_px) + 3
    around = cv2.dilate(filler.astype(np.uint8), np.ones((reach, reach), np.uint8)) > 0
    around &= ~filler
    # Each pass lowers the level that the rim itself had lifted.
    for _ in range(4):
        level = cv2.GaussianBlur(height_mm + left_mm, (0, 0), max(0.6 * width_px, 2.0))
        proud = around & (height_mm > level + 0.01)
        height_mm[proud] = level[proud] + 0.01


def _find_mouth(slab: Slab, pit: pd.Series) -> tuple[tuple[slice, slice], np.ndarray]:
    """Return the window around a pit and where in it the pit's mouth is, its lip included."""
    reach = 0.75 * pit["length_mm"] / slab.mm_per_px + 4
    col, row = pit["x_mm"] / slab.mm_per_px - 0.5, pit["y_mm"] / slab.mm_per_px - 0.5
    window = (
        slice(max(int(row - reach), 0), int(row + reach) + 2),
        slice(max(int(col - reach), 0), int(col + reach) + 2),
    )
    index = slab.pit_index[window]
    own = (index == pit["truth_id"]).astype(np.uint8)
    if not own.any():
        # Too small to own a pixel: take the hollow around its centre.
        own[min(round(row) - window[0].start, own.shape[0] - 1), :] = 0
        centre = (min(int(reach), own.shape[0] - 1), min(int(reach), own.shape[1] - 1))
        own[centre] = 1
    wide = cv2.dilate(own, np.ones((3, 3), np.uint8)) > 0
    return window, wide & ((index == 0) | (index == pit["truth_id"]))


def _open_new(slab: Slab, n_new: int, rng: np.random.Generator) -> Slab:
    recipe = slab.recipe
    board = Board(slab.size_mm, rng)
    for table in (slab.pits, slab.marks.query("kind not in ('joint', 'crack', 'trowel_mark')")):
        for x, y, length in table[["x_mm", "y_mm", "length_mm"]].itertuples(index=False):
            board.take((x, y), 0.6 * length)
    sizes = draw_diameters(
        n_new, rng, median_mm=1.2, spread=0.4, smallest_mm=recipe.smallest_mm, largest_mm=5.0
    )
    pits: list[Pit] = []
    for size in sizes:
        place = board.find_place(size / 2)
        if place is not None:
            pits.append(build_pit("undercut", *place, diameter_mm=size, depth_ratio=0.45, rng=rng))
    face = Face(slab.height_mm, slab.albedo, slab.mm_per_px, board, rng, [])
    depth, index = carve_pits(face, pits)
    first = int(slab.pits["truth_id"].max()) if len(slab.pits) else 0
    new = build_truth([measure_pit(pit) for pit in pits])
    new["truth_id"] += first
    new["state"] = "new"
    return replace(
        slab,
        pits=pd.concat([slab.pits, new], ignore_index=True) if len(new) else slab.pits,
        pit_depth_mm=np.maximum(slab.pit_depth_mm, depth),
        pit_index=np.where(index > 0, index + first, slab.pit_index).astype(np.int32),
    )
