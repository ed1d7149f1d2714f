"""The slab's four edges in the photo: offered as corners, and used to straighten the lens.

An edge that was cast against a straight form is straight; a photo that shows it bent shows the
lens. Corners found where straight edges meet are surer than corners picked by hand.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..core.records import Lens, Photo, Scale
from .corners import (
    build_scale,
    check_corners,
    check_size,
    face_corners,
    scale_from_corners,
)
from .lens import estimate_lens
from .plane import bend_points, cross_lines, estimate_scale_sd, fit_plane, straighten_points
from .quads import choose_quad
from .sides import trace_sides

EDGE_SD_PX = 0.4  # a cast edge is ragged; its line is good to this on a photo
CORNER_TRUST_PX = 7.0  # edges this near the picked corners are the edges that were meant
OFFER_LOOK_PX = 640


@dataclass(frozen=True, slots=True)
class CornerOffer:
    """Four corners (4, 2) the edge finder offers, in photo pixels from the top-left clockwise.

    support : share of the weakest side's length that shows an edge, 0 to 1; below about 0.7 the
    offer should be looked at twice.
    """

    corners_px: np.ndarray
    support: float


def scale_from_slab_edges(
    photo: Photo,
    corners_px: Sequence[Sequence[float]],
    size_mm: tuple[float, float],
    *,
    corner_sd_px: float = 1.5,
    lens: Lens | None = None,
) -> Scale:
    """Return the scale from the slab's picked corners, with the edges between them looked at.

    Where all four edges are seen, their bend gives the lens; where they run through the corners
    that were picked, they also give the corners. Else the answer is that of `scale_from_corners`.

    Parameters
    ----------
    photo : Photo
    corners_px, size_mm, corner_sd_px : as in `scale_from_corners`.
    lens : Lens, optional
        A lens calibrated before; then the edges only mend the corners.

    Errors of the answer: on made-up photos 0.1-0.4 mm over 600 mm with a barrel lens of 5 %, where
    corners alone err by 3-5 mm; a slab that is not straight or not square adds its own error.
    """
    size_mm = check_size(size_mm)
    corners = check_corners(corners_px, photo.shape_px)
    lines = _trace_sides(photo, _read_grey(photo), corners)
    if lens is None and all(len(line) for line in lines):
        lens, _ = estimate_lens(lines, photo.shape_px)
    mended, point_sd_px = _mend_corners(corners, lines, lens, corner_sd_px)
    if lens is None and mended is corners:
        return scale_from_corners(corners, size_mm, photo.shape_px, corner_sd_px=corner_sd_px)
    straight = straighten_points(lens, mended)
    places = face_corners(size_mm)
    to_slab = fit_plane(straight, places)
    relative_sd = estimate_scale_sd(straight, places, size_mm, point_sd_px=point_sd_px)
    scale = build_scale(
        "corners", to_slab, size_mm, photo.shape_px,
        relative_sd=relative_sd, lens=lens, is_lens_known=lens is not None,
    )  # fmt: skip
    if lens is not None and lens.basis == "edges":
        note = f"The lens was straightened by the slab's own edges (k1 {lens.k1:+.3f})."
        scale = replace(scale, notes=(note, *scale.notes))
    return scale


def offer_corners(photo: Photo) -> CornerOffer | None:
    """Return the four corners of the largest clear four-sided face, or None when none is clear.

    Parameters
    ----------
    photo : Photo
        With all four edges of the slab in it.

    Returns
    -------
    CornerOffer or None
        To be confirmed by the person: the plan's top is taken to be the photo's top.

    Errors of the answer: 1-3 px on made-up photos; a paper or a board under the slab can be taken
    for the slab when its edges are clearer.

    Source: line segments by OpenCV's detector; the choice of four by their support, our choice.
    """
    import cv2

    grey = _read_grey(photo)
    shrink = max(1.0, max(grey.shape) / OFFER_LOOK_PX)
    small = cv2.resize(grey, None, fx=1 / shrink, fy=1 / shrink, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), 1.2)
    best = choose_quad(small)
    if best is None:
        return None
    corners = (best[0] + 0.5) * (shrink * photo.shrink) - 0.5
    reach_px = 5 * shrink * photo.shrink
    lines = _trace_sides(photo, grey, corners, anchor_px=5 * shrink)
    lens = estimate_lens(lines, photo.shape_px)[0] if all(len(line) for line in lines) else None
    corners, _ = _mend_corners(corners, lines, lens, 0.0, trust_px=2 * reach_px)
    return CornerOffer(corners, best[1])


def _trace_sides(photo: Photo, grey: np.ndarray, corners: np.ndarray, **how) -> list[np.ndarray]:
    """Return the sides between corners as points, all in the photo's own pixels; `grey` is of the size read."""
    lines = trace_sides(grey, (corners + 0.5) / photo.shrink - 0.5, **how)
    return [(np.asarray(line) + 0.5) * photo.shrink - 0.5 for line in lines]


def _read_grey(photo: Photo) -> np.ndarray:
    import cv2

    return cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY)


def _mend_corners(
    corners: np.ndarray,
    lines: list[np.ndarray],
    lens: Lens | None,
    corner_sd_px: float,
    *,
    trust_px: float = CORNER_TRUST_PX,
) -> tuple[np.ndarray, float]:
    """Return corners where the edges meet when that is where they were picked, and their doubt."""
    if not all(len(line) for line in lines):
        return corners, corner_sd_px
    sides = [_fit_side(straighten_points(lens, line)) for line in lines]
    met = np.array([cross_lines(sides[k - 1], sides[k]) for k in range(4)])
    picked = straighten_points(lens, corners)
    if not np.isfinite(met).all() or np.hypot(*(met - picked).T).max() > trust_px:
        return corners, corner_sd_px
    return bend_points(lens, met), EDGE_SD_PX


def _fit_side(line: np.ndarray) -> np.ndarray:
    """Return a robust straight line (x, y, dx, dy) through points."""
    keep = np.ones(len(line), bool)
    for _ in range(3):
        middle = line[keep].mean(axis=0)
        _, _, axes = np.linalg.svd(line[keep] - middle, full_matrices=False)
        away = np.abs((line - middle) @ axes[1])
        keep = away <= 3 * 1.4826 * np.median(away[keep]) + 1e-6
    return np.array([*middle, *axes[0]])
