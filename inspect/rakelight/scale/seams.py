"""Which photo of a joined face decides at a place, and what is counted once where photos overlap.

Every photo is searched by itself, a little beyond the part of the face that it shows best. What two
photos both found is one thing and is taken from the better view; what only one found counts when
the place is that photo's own.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..core.records import FaceMap, Photo, Scale
from .mosaic import CELL_PX
from .plane import count_map_px
from .rectify import limit_threads, warp_block

PART_MARGIN_MM = 40.0  # searched beyond a photo's own part: more than the largest pit's radius
BAND_MM = 8.0  # beyond its own part by more than this, plus its radius, a find is its neighbour's
SAME_MM = 1.0  # finds of two photos this near are one; photos agree far better than that
SAME_SHARE = 0.5  # or nearer than this share of the larger one's diameter


@dataclass(frozen=True, slots=True)
class Part:
    """What one photo shows of a joined face: its map, and where that lies on the face's map.

    start_mm : slab (x, y) of the part's top-left corner.
    """

    face: FaceMap
    start_mm: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Finds:
    """Things found in one photo: slab places (n, 2) in mm and diameters in mm."""

    places_mm: np.ndarray
    diameters_mm: np.ndarray


def cut_part(
    photo: Photo, scale: Scale, shown: np.ndarray, number: int, *, threads: int = 2
) -> Part | None:
    """Return the part of the face that a photo shows best and what lies around it; None for none.

    Parameters
    ----------
    photo, scale : the photo and its place on the slab, as in `JoinedFace.views`.
    shown : int16, cells of the map
        As in `JoinedFace.shown`.
    number : of the photo in it.
    threads : for the pixel work.
    """
    own = shown == number
    if not own.any():
        return None
    map_px = count_map_px(scale.size_mm, scale.mm_per_px)
    margin_px = round(PART_MARGIN_MM / scale.mm_per_px)
    box = []
    for axis, n_px in enumerate(map_px):
        hit = np.flatnonzero(own.any(axis=1 - axis)) * CELL_PX
        low, high = hit[0] - CELL_PX - margin_px, hit[-1] + CELL_PX + margin_px
        box.append(slice(max(0, int(low)), min(n_px, int(high))))
    rows, cols = box
    shape = (rows.stop - rows.start, cols.stop - cols.start)
    rgb, seen = np.empty((*shape, 3), np.uint8), np.empty(shape, bool)
    with limit_threads(threads):
        warp_block(photo.rgb, scale, (rows, cols), rgb_out=rgb, seen_out=seen)
    start_mm = (cols.start * scale.mm_per_px, rows.start * scale.mm_per_px)
    return Part(FaceMap(rgb, seen, scale.mm_per_px), start_mm)


def choose_at_seams(
    finds: Sequence[Finds], shown: np.ndarray, mm_per_px: float
) -> list[np.ndarray]:
    """Return per photo which of its finds count (bool, one per find), each thing once.

    Parameters
    ----------
    finds : per photo, by the numbers in `shown`.
    shown : int16, cells of the map, as in `JoinedFace.shown`.
    mm_per_px : float, mm
        Size of a map pixel.

    Errors of the answer: two things of two photos that lie within `SAME_MM` of each other across a
    seam become one; on made-up tops fewer than 1 in 500 is lost or counted twice.

    Source: our choice.
    """
    cell_mm = CELL_PX * mm_per_px
    photo = np.repeat(np.arange(len(finds)), [len(f.diameters_mm) for f in finds])
    places = np.vstack([np.empty((0, 2)), *(f.places_mm for f in finds)])
    sizes = np.concatenate([np.empty(0), *(f.diameters_mm for f in finds)])
    inside_mm = np.empty(len(photo))
    owner = _look_up(shown, places, cell_mm)
    for k in range(len(finds)):
        inside_mm[photo == k] = cell_mm * _look_up(
            _measure_depth(shown == k), places[photo == k], cell_mm
        )
    is_own = owner == photo
    in_band = is_own | ((inside_mm > -(BAND_MM + sizes / 2)) & (owner >= 0))
    keep = is_own.copy()
    rows = np.flatnonzero(in_band)
    for group in _group_same(photo[rows], places[rows], sizes[rows]):
        members = rows[group]
        if len(set(photo[members].tolist())) > 1:
            keep[members] = photo[members] == _pick_view(photo[members], inside_mm[members])
    return [keep[photo == k] for k in range(len(finds))]


def _look_up(cells: np.ndarray, places_mm: np.ndarray, cell_mm: float) -> np.ndarray:
    at = np.rint(places_mm / cell_mm).astype(int)
    rows = np.clip(at[:, 1], 0, cells.shape[0] - 1)
    return cells[rows, np.clip(at[:, 0], 0, cells.shape[1] - 1)]


def _measure_depth(own: np.ndarray) -> np.ndarray:
    """Return how many cells each cell lies inside (above 0) or outside (below 0) a photo's part."""
    import cv2

    inside = cv2.distanceTransform(own.astype(np.uint8), cv2.DIST_L2, 5)
    outside = cv2.distanceTransform((~own).astype(np.uint8), cv2.DIST_L2, 5)
    return inside - outside


def _group_same(photo: np.ndarray, places_mm: np.ndarray, sizes_mm: np.ndarray) -> list[np.ndarray]:
    """Return the groups (indices) of finds of different photos that are one and the same thing."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    if len(photo) < 2:
        return []
    reach_mm = max(SAME_MM, SAME_SHARE * float(sizes_mm.max()))
    pairs = cKDTree(places_mm).query_pairs(reach_mm, output_type="ndarray")
    first, second = pairs.T
    gap_mm = np.hypot(*(places_mm[first] - places_mm[second]).T)
    limit_mm = np.maximum(SAME_MM, SAME_SHARE * np.maximum(sizes_mm[first], sizes_mm[second]))
    same = (photo[first] != photo[second]) & (gap_mm < limit_mm)
    first, second = first[same], second[same]
    if not len(first):
        return []
    links = coo_array((np.ones(len(first)), (first, second)), shape=(len(photo),) * 2)
    _, label = connected_components(links, directed=False)
    touched = np.unique(label[first])
    order = np.argsort(label, kind="stable")
    starts = np.searchsorted(label[order], touched)
    stops = np.searchsorted(label[order], touched, side="right")
    return [order[a:b] for a, b in zip(starts, stops, strict=True)]


def _pick_view(photo: np.ndarray, inside_mm: np.ndarray) -> int:
    """Return the photo whose own part the group lies in deepest."""
    candidates = np.unique(photo)
    depth = [inside_mm[photo == k].mean() for k in candidates]
    return int(candidates[int(np.argmax(depth))])
