"""The photo turned into a map of the face: pixels of one size, the slab's edge at the border."""

from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np

from ..core.records import FaceMap, Photo, Scale
from .plane import apply_plane, bend_points, count_map_px

BLOCK_PX = 4096  # OpenCV warps sides below 32767 px only, and small blocks keep memory low
LENS_GRID_PX = 16  # the lens bends slowly: its shift is worked out on a grid and interpolated


def rectify_photo(photo: Photo, scale: Scale, *, threads: int = 2) -> FaceMap:
    """Return the map of the face, `scale.mm_per_px` mm per pixel of the photo, with the area the photo shows.

    Parameters
    ----------
    photo : Photo
        As read; it is not changed.
    scale : Scale
        Of this photo. When it is a plain mm per pixel the map is the photo's own array. Of a photo read at
        reduced size the map's pixels are as much larger.
    threads : int
        Threads for the pixel work.

    Returns
    -------
    FaceMap
        `seen` is False where the slab lies outside the photo. The slab's edge is the map's border,
        to half a map pixel where its sides are no whole number of pixels.

    Errors of the answer: one bilinear interpolation softens detail of one or two pixels a little.
    """
    mm_per_px = scale.mm_per_px * photo.shrink
    if _is_photo_itself(photo, scale):
        return FaceMap(photo.rgb, np.ones(photo.rgb.shape[:2], bool), mm_per_px, photo.shrink)
    rows, cols = count_map_px(scale.size_mm, mm_per_px)
    rgb = np.empty((rows, cols, 3), photo.rgb.dtype)  # a raw photo's light stays linear
    seen = np.empty((rows, cols), bool)
    with limit_threads(threads):
        for block in iterate_blocks((rows, cols), BLOCK_PX):
            outs = {"rgb_out": rgb[block], "seen_out": seen[block]}
            warp_block(photo.rgb, scale, block, shrink=photo.shrink, **outs)
    return FaceMap(rgb, seen, mm_per_px, photo.shrink)


def iterate_blocks(shape_px: tuple[int, int], block_px: int) -> Iterator[tuple[slice, slice]]:
    """Yield the (row, column) slices that cut a map into blocks."""
    rows, cols = shape_px
    for top in range(0, rows, block_px):
        for left in range(0, cols, block_px):
            yield (
                slice(top, min(top + block_px, rows)),
                slice(left, min(left + block_px, cols)),
            )


def warp_block(
    rgb: np.ndarray,
    scale: Scale,
    block: tuple[slice, slice],
    *,
    rgb_out: np.ndarray,
    seen_out: np.ndarray,
    shrink: int = 1,
) -> None:
    """Fill one block of the map (`rgb_out`, `seen_out`) from the photo; black where not seen.

    `shrink` : pixels of the photo per pixel of `rgb`, and per pixel of the map.
    """
    import cv2

    to_photo = map_to_photo(scale, (block[1].start, block[0].start), shrink=shrink)
    shape_px = seen_out.shape
    if scale.lens is None:
        to_photo = shrink_places(shrink) @ to_photo
        rgb_out[...] = _warp_plane(rgb, to_photo, shape_px, cv2.INTER_LINEAR, cv2.BORDER_REPLICATE)
        if _is_inside(rgb.shape[:2], apply_plane(to_photo, _border_points(shape_px))):
            seen_out[...] = True
            return
        inside = np.ones(rgb.shape[:2], np.uint8)
        seen_out[...] = _warp_plane(
            inside, to_photo, shape_px, cv2.INTER_NEAREST, cv2.BORDER_CONSTANT
        )
    else:
        x_px, y_px = ((at + 0.5) / shrink - 0.5 for at in _bend_grid(scale, to_photo, shape_px))
        rgb_out[...] = cv2.remap(rgb, x_px, y_px, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        seen_out[...] = (x_px >= -0.5) & (x_px < rgb.shape[1] - 0.5)
        seen_out &= (y_px >= -0.5) & (y_px < rgb.shape[0] - 0.5)
    rgb_out[~seen_out] = 0


def map_to_photo(
    scale: Scale, start_px: tuple[int, int] = (0, 0), *, shrink: int = 1
) -> np.ndarray:
    """Return the homography from map (col, row), counted from `start_px`, to photo pixels.

    `shrink` : photo pixels per map pixel each way.
    """
    size = scale.mm_per_px * shrink
    to_mm = np.array(
        [[size, 0, (start_px[0] + 0.5) * size], [0, size, (start_px[1] + 0.5) * size], [0, 0, 1]]
    )
    return np.linalg.inv(scale.to_slab) @ to_mm


def shrink_places(shrink: int) -> np.ndarray:
    """Return the matrix from (x, y) pixels of a photo to those of the same read `shrink` times smaller."""
    shift = 0.5 / shrink - 0.5
    return np.array([[1 / shrink, 0, shift], [0, 1 / shrink, shift], [0, 0, 1.0]])


@contextmanager
def limit_threads(threads: int) -> Iterator[None]:
    """Run the pixel work inside with this many threads, and give the old number back after."""
    import cv2

    before = cv2.getNumThreads()
    cv2.setNumThreads(max(1, int(threads)))
    try:
        yield
    finally:
        cv2.setNumThreads(before)


def _is_photo_itself(photo: Photo, scale: Scale) -> bool:
    if scale.lens is not None or count_map_px(scale.size_mm, scale.mm_per_px) != photo.shape_px:
        return False
    to_photo = map_to_photo(scale)
    return bool(np.allclose(to_photo / to_photo[2, 2], np.eye(3), atol=1e-6))


def _bend_grid(
    scale: Scale, to_photo: np.ndarray, shape_px: tuple[int, int]
) -> tuple[np.ndarray, np.ndarray]:
    """Return photo x and y (rows, cols) of map pixels, through the lens."""
    import cv2

    # Enlarging by a whole factor puts node j at pixel LENS_GRID_PX * (j + 0.5) - 0.5; one node
    # more on every side keeps the interpolation inside, and is cropped off again.
    middle = (LENS_GRID_PX - 1) / 2
    counts = [-(-n // LENS_GRID_PX) + 2 for n in shape_px]
    nodes = [(np.arange(n) - 1) * LENS_GRID_PX + middle for n in counts]
    grid = np.stack(np.meshgrid(nodes[1], nodes[0]), axis=-1).reshape(-1, 2)
    bent = bend_points(scale.lens, apply_plane(to_photo, grid)).reshape(*counts, 2)
    size_px = (counts[1] * LENS_GRID_PX, counts[0] * LENS_GRID_PX)
    inner = tuple(slice(LENS_GRID_PX, LENS_GRID_PX + n) for n in shape_px)
    x_px, y_px = (
        cv2.resize(bent[..., axis].astype(np.float32), size_px, interpolation=cv2.INTER_LINEAR)
        for axis in (0, 1)
    )
    return np.ascontiguousarray(x_px[inner]), np.ascontiguousarray(y_px[inner])


def _warp_plane(picture, to_photo, shape_px, interpolation, border) -> np.ndarray:
    import cv2

    how = interpolation | cv2.WARP_INVERSE_MAP
    return cv2.warpPerspective(picture, to_photo, shape_px[::-1], flags=how, borderMode=border)


def _border_points(shape_px: tuple[int, int]) -> np.ndarray:
    rows, cols = shape_px
    return np.array([[0, 0], [cols - 1, 0], [cols - 1, rows - 1], [0, rows - 1]], float)


def _is_inside(photo_px: tuple[int, int], xy_px: np.ndarray) -> bool:
    return bool(((xy_px >= -0.5) & (xy_px < (photo_px[1] - 0.5, photo_px[0] - 0.5))).all())
