"""The slab's own rectangle on joined photos: where its four edges are seen, they give the frame.

Photos joined without marks near both ends drift by about a millimetre a metre, and without any
aid they have no size at all. A small map of them shows the slab on its floor; its four corners
there, and the size that was said, mend both.
"""

from collections.abc import Sequence

import numpy as np

from ..core.errors import ScaleError
from ..core.records import Photo, Scale
from .corners import face_corners
from .edges import offer_corners
from .plane import count_map_px, find_in_photo, fit_plane
from .rectify import limit_threads, warp_block

LOOK_LONG_PX = 3200  # longest side of the small map
SUPPORT_MIN = 0.6  # share of the weakest side that must show an edge
SIZE_OFF_MAX = 0.03  # how far a card's measure of the slab may be off what was said
MIN_SHARED_PX = 400
FILL_STEP_PX = 16


def find_slab(
    photos: Sequence[Photo],
    scales: Sequence[Scale | None],
    size_mm: tuple[float, float],
    *,
    is_measured: bool,
    threads: int = 2,
) -> tuple[np.ndarray, np.ndarray]:
    """Return the slab's corners (4, 2) in the map's frame, and the homography to slab mm.

    Parameters
    ----------
    photos, scales : the joined photos and their places on a small map, all with one `mm_per_px`.
    size_mm : (width, height), mm, the slab's size as said.
    is_measured : the map's frame is in true mm (a card gave it), so that it can check the size.
    threads : for the pixel work.

    Errors of the answer: a corner to about half a pixel of the small map, 0.5 mm on a top of three
    metres; what the slab's edges are not straight by comes on top.

    Source: corners as `edges.offer_corners`; our choice.
    """
    first = next(scale for scale in scales if scale is not None)
    map_px = count_map_px(first.size_mm, first.mm_per_px)
    with limit_threads(threads):
        picture = draw_small(photos, scales, map_px)
    offer = offer_corners(Photo(picture, "map", ""))
    if offer is None or not offer.support >= SUPPORT_MIN:
        raise ScaleError(
            "The slab's four edges do not stand out clearly in the joined photos: take the outer photos again"
            " with a hand's breadth of floor beside every edge, or lay marks near both ends and say where they"
            " lie: --marks."
        )
    corners_mm = (offer.corners_px + 0.5) * first.mm_per_px
    if is_measured:
        _check_size(corners_mm, size_mm)
    return corners_mm, fit_plane(corners_mm, face_corners(size_mm))


def draw_small(
    photos: Sequence[Photo], scales: Sequence[Scale | None], map_px: tuple[int, int]
) -> np.ndarray:
    """Return a small map, uint8 (rows, cols, 3), of all that any photo shows, to the photos' very rims.

    Photos fade into each other, so that no seam looks like an edge; where no photo shows anything
    the tone around is carried on.
    """
    total = np.zeros((*map_px, 3), np.float32)
    weight = np.zeros(map_px, np.float32)
    whole = (slice(0, map_px[0]), slice(0, map_px[1]))
    for k, scale in enumerate(scales):
        if scale is None:
            continue
        rgb, seen = np.empty((*map_px, 3), np.uint8), np.empty(map_px, bool)
        warp_block(photos[k].rgb, scale, whole, rgb_out=rgb, seen_out=seen)
        share = _fade(photos[k].shape_px, scale, map_px) * seen
        both = (share > 0) & (weight > 0)
        gain = 1.0
        if np.count_nonzero(both) > MIN_SHARED_PX:
            before = total[both][:, 1] / weight[both]
            gain = float(np.median(before / np.maximum(rgb[both][:, 1], 1)))
        total += share[..., None] * (gain * rgb)
        weight += share
    return _carry_on(total, weight)


def _fade(photo_px: tuple[int, int], scale: Scale, map_px: tuple[int, int]) -> np.ndarray:
    """Return the weight of a photo on the map: 1 in its middle, near 0 at its rim."""
    import cv2

    step = 16  # the weight is smooth: a small picture of it is enough
    rows, cols = (n // step + 2 for n in map_px)
    x_mm, y_mm = np.meshgrid((np.arange(cols) + 0.5) * step, (np.arange(rows) + 0.5) * step)
    places = np.stack([x_mm, y_mm], axis=-1).reshape(-1, 2) * scale.mm_per_px
    size = np.array(photo_px[::-1], float)
    at = find_in_photo(scale, places) / size
    room = np.clip(np.minimum(at, 1 - at).min(axis=1), 0.002, 0.5).reshape(rows, cols)
    large = cv2.resize(room.astype(np.float32), (cols * step, rows * step))
    return large[: map_px[0], : map_px[1]] ** 2


def _carry_on(total: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Return the weighted mean, with a soft tone where there is none, so that no edge appears there."""
    import cv2

    share = (weight > 0).astype(np.float32)
    mean = total / np.maximum(weight, 1e-9)[..., None]
    if share.all():
        return np.clip(mean, 0, 255).astype(np.uint8)
    # The tone carried on is smooth: it is worked out on a small picture, in ever wider circles, of
    # which the wider weigh less and so only count where the narrower reach nothing.
    size_px = tuple(max(1, n // FILL_STEP_PX) for n in weight.shape[::-1])
    small = cv2.resize(mean * share[..., None], size_px, interpolation=cv2.INTER_AREA)
    covered = cv2.resize(share, size_px, interpolation=cv2.INTER_AREA)
    tone, grip = np.zeros_like(small), np.zeros_like(covered)
    for sigma, factor in ((2, 1.0), (8, 1e-6), (32, 1e-12)):
        tone += cv2.GaussianBlur(small, (0, 0), sigma) * factor
        grip += cv2.GaussianBlur(covered, (0, 0), sigma) * factor
    tone = cv2.resize(tone / np.maximum(grip, 1e-30)[..., None], weight.shape[::-1])
    return np.clip(np.where(share[..., None] > 0, mean, tone), 0, 255).astype(np.uint8)


def _check_size(corners_mm: np.ndarray, size_mm: tuple[float, float]) -> None:
    sides = np.hypot(*(np.roll(corners_mm, -1, axis=0) - corners_mm).T)
    measured = np.array([sides[0] + sides[2], sides[1] + sides[3]]) / 2
    if (np.abs(measured / size_mm - 1) > SIZE_OFF_MAX).any():
        raise ScaleError(
            f"By the scale card the slab measures {measured[0]:.0f} x {measured[1]:.0f} mm, not"
            f" {size_mm[0]:g} x {size_mm[1]:g}; check its size and that the card's up is the plan's up."
        )
