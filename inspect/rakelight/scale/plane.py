"""Geometry of the photo's plane and the slab's plane: places, local sizes, tilt and doubt.

A 3x3 homography `to_slab` takes photo (x, y) pixels, centres at integers, to slab mm. With a
lens the photo's pixels are first moved to where a straight-line camera would have seen them.
"""

import math

import numpy as np

from ..core.errors import ScaleError
from ..core.records import Lens, Scale

# Focal lengths of hand-held cameras in units of the longer side of the photo: 0.6 is a very
# wide phone lens, 2.0 a short telephoto (24 and 70 mm on 35 mm film are 0.67 and 1.9).
FOCAL_PER_LONG_SIDE = (0.6, 0.7, 0.85, 1.0, 1.3, 1.6, 2.0)
MAP_PX_PER_PHOTO_PX = 1.3
FACE_GRID = 9


def apply_plane(matrix: np.ndarray, xy: np.ndarray) -> np.ndarray:
    """Return points (n, 2) taken through a 3x3 homography; points on its horizon become inf."""
    xy = np.atleast_2d(np.asarray(xy, float))
    lifted = np.column_stack([xy, np.ones(len(xy))]) @ np.asarray(matrix, float).T
    with np.errstate(divide="ignore", invalid="ignore"):
        return lifted[:, :2] / lifted[:, 2:]


def straighten_points(lens: Lens | None, xy_px: np.ndarray) -> np.ndarray:
    """Return where a straight-line camera would have seen photo points (n, 2), in pixels.

    Errors of the answer: below 0.001 px where the distortion moves points by less than a tenth
    of their distance from the centre (fixed-point steps, then Newton steps).
    """
    xy_px = np.atleast_2d(np.asarray(xy_px, float))
    if lens is None:
        return xy_px
    seen = (xy_px - lens.centre_px) / lens.unit_px
    r_seen = np.hypot(seen[:, 0], seen[:, 1])
    r = r_seen.copy()
    for _ in range(12):
        excess = r * (1 + lens.k1 * r**2 + lens.k2 * r**4) - r_seen
        slope = 1 + 3 * lens.k1 * r**2 + 5 * lens.k2 * r**4
        r = r - excess / np.where(np.abs(slope) < 0.1, 0.1, slope)
    growth = np.where(r_seen > 0, r / np.where(r_seen > 0, r_seen, 1), 1.0)
    return seen * growth[:, None] * lens.unit_px + lens.centre_px


def bend_points(lens: Lens | None, xy_px: np.ndarray) -> np.ndarray:
    """Return where the lens shows straight-line points (n, 2), in photo pixels."""
    xy_px = np.atleast_2d(np.asarray(xy_px, float))
    if lens is None:
        return xy_px
    straight = (xy_px - lens.centre_px) / lens.unit_px
    r = np.maximum(np.hypot(straight[:, :1], straight[:, 1:]), 1e-12)
    # Far outside the photo the polynomial turns back; places there must stay outside.
    r_kept = np.minimum(r, _find_fold(lens))
    seen = r_kept * (1 + lens.k1 * r_kept**2 + lens.k2 * r_kept**4)
    return straight * (seen / r) * lens.unit_px + lens.centre_px


def _find_fold(lens: Lens) -> float:
    """Return the radius, in units of the lens, where 1 + 3 k1 r^2 + 5 k2 r^4 first is zero."""
    roots = np.roots([5 * lens.k2, 3 * lens.k1, 1.0]) if lens.k1 or lens.k2 else np.empty(0)
    squares = [root.real for root in roots if abs(root.imag) < 1e-12 and root.real > 0]
    return math.sqrt(min(squares)) if squares else math.inf


def place_on_slab(scale: Scale, xy_px: np.ndarray) -> np.ndarray:
    """Return the places on the slab (n, 2), in mm, of photo points (n, 2) given as (x, y) pixels.

    Errors of the answer: `scale.mm_per_px_sd / scale.mm_per_px` of the distance from the scale
    aid's middle, plus the lens when `lens_not_corrected` is flagged.
    """
    return apply_plane(scale.to_slab, straighten_points(scale.lens, xy_px))


def find_in_photo(scale: Scale, xy_mm: np.ndarray) -> np.ndarray:
    """Return the photo points (n, 2), as (x, y) pixels, of places on the slab (n, 2) in mm."""
    return bend_points(scale.lens, apply_plane(np.linalg.inv(scale.to_slab), xy_mm))


def cross_lines(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Return where two lines (x, y, dx, dy) meet; inf or NaN when they run side by side."""
    between = other[:2] - one[:2]
    turn = one[2] * other[3] - one[3] * other[2]
    with np.errstate(divide="ignore", invalid="ignore"):
        return one[:2] + one[2:] * (between[0] * other[3] - between[1] * other[2]) / turn


def fit_plane(xy_px: np.ndarray, xy_mm: np.ndarray) -> np.ndarray:
    """Return the 3x3 homography that takes photo points to slab places, in the least squares sense.

    Parameters
    ----------
    xy_px, xy_mm : float (n, 2), n >= 4
        Photo points and their places on the slab; three in a row give a ScaleError.
    """
    import cv2

    matrix, _ = cv2.findHomography(np.asarray(xy_px, float), np.asarray(xy_mm, float), 0)
    if matrix is None or not np.isfinite(matrix).all() or abs(np.linalg.det(matrix)) < 1e-15:
        raise ScaleError("The points of the scale aid lie in one line; choose four that do not.")
    return matrix / matrix[2, 2]


def list_linear_light() -> np.ndarray:
    """Return the light (256,) of sRGB levels: edges lie half way in light, not in code values."""
    level = np.arange(256) / 255
    return np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4).astype(
        np.float32
    )


def make_grid(size_mm: tuple[float, float], n_per_side: int = FACE_GRID) -> np.ndarray:
    """Return places (n * n, 2) in mm spread evenly over a face, its edges included."""
    x_mm, y_mm = (np.linspace(0, side, n_per_side) for side in size_mm)
    return np.stack(np.meshgrid(x_mm, y_mm), axis=-1).reshape(-1, 2)


def measure_local_scale(to_slab: np.ndarray, xy_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the finest and coarsest mm per photo pixel (n,), (n,) at photo points (n, 2)."""
    xy_px = np.atleast_2d(np.asarray(xy_px, float))
    lifted = np.column_stack([xy_px, np.ones(len(xy_px))]) @ to_slab.T
    depth = lifted[:, 2]
    place = lifted[:, :2] / depth[:, None]
    slopes = to_slab[None, :2, :2] - place[:, :, None] * to_slab[None, 2:, :2]
    sizes = np.linalg.svd(slopes / depth[:, None, None], compute_uv=False)
    return sizes[:, 1], sizes[:, 0]


def measure_spread(to_slab: np.ndarray, size_mm: tuple[float, float]) -> tuple[float, float]:
    """Return the finest and the coarsest mm per photo pixel anywhere on a face."""
    xy_px = apply_plane(np.linalg.inv(to_slab), make_grid(size_mm))
    finest, coarsest = measure_local_scale(to_slab, xy_px)
    return float(finest.min()), float(coarsest.max())


def find_visible_face(
    to_slab: np.ndarray, shape_px: tuple[int, int], lens: Lens | None, *, coarsest_mm_per_px: float
) -> tuple[float, float, float, float]:
    """Return left, top, right and bottom, in mm, of what the photo shows fine enough of the plane."""
    rows, cols = shape_px
    nodes = [np.linspace(-0.5, n - 0.5, 41) for n in (cols, rows)]
    xy_px = straighten_points(lens, np.stack(np.meshgrid(*nodes), axis=-1).reshape(-1, 2))
    in_front = (np.column_stack([xy_px, np.ones(len(xy_px))]) @ to_slab[2]) > 0
    xy_px = xy_px[in_front]
    _, coarsest = measure_local_scale(to_slab, xy_px)
    shown = apply_plane(to_slab, xy_px[coarsest <= coarsest_mm_per_px])
    return (*shown.min(axis=0), *shown.max(axis=0))


def choose_mm_per_px(
    finest_mm_per_px: float, size_mm: tuple[float, float], shape_px: tuple[int, int]
) -> float:
    """Return the map's mm per pixel: the finest the photo shows, kept to 1.3 of its pixels.

    The slab's sides become whole numbers of map pixels wherever their common measure allows,
    so that the slab's edge is the map's border; else the longer side does.
    """
    n_px_max = MAP_PX_PER_PHOTO_PX * shape_px[0] * shape_px[1]
    wanted = max(finest_mm_per_px, math.sqrt(size_mm[0] * size_mm[1] / n_px_max))
    tenths = [round(10 * side) for side in size_mm]
    common_mm = math.gcd(*tenths) / 10
    is_exact = max(abs(10 * side - n) for side, n in zip(size_mm, tenths, strict=True)) < 1e-6
    if not is_exact or common_mm < 20 * wanted:
        common_mm = max(size_mm)
    return common_mm / max(1, math.floor(common_mm / wanted))


def count_map_px(size_mm: tuple[float, float], mm_per_px: float) -> tuple[int, int]:
    """Return the rows and columns of the map of a face."""
    return max(1, round(size_mm[1] / mm_per_px)), max(1, round(size_mm[0] / mm_per_px))


def estimate_scale_sd(
    xy_px: np.ndarray, xy_mm: np.ndarray, size_mm: tuple[float, float], *, point_sd_px: float
) -> float:
    """Return the relative standard uncertainty of a length on the face, from picking the points.

    Every photo point is moved by a small step in x and in y, and the change of the local scale
    over the face is summed in quadrature. Source: propagation of uncertainty to first order.
    """
    import cv2

    fit = fit_plane if len(xy_px) > 4 else cv2.getPerspectiveTransform
    xy_px, xy_mm = np.asarray(xy_px, np.float32), np.asarray(xy_mm, np.float32)
    grid_px = apply_plane(np.linalg.inv(fit(xy_px, xy_mm)), make_grid(size_mm, 5))
    reference = measure_log_scale(fit(xy_px, xy_mm), grid_px)
    step_px, variance = 0.5, np.zeros(len(grid_px))
    for index in np.ndindex(xy_px.shape):
        moved = xy_px.copy()
        moved[index] += step_px
        variance += ((measure_log_scale(fit(moved, xy_mm), grid_px) - reference) / step_px) ** 2
    return float(point_sd_px * np.sqrt(variance.mean()))


def measure_log_scale(to_slab: np.ndarray, xy_px: np.ndarray) -> np.ndarray:
    """Return the logarithm of the mean mm per photo pixel (n,) at photo points (n, 2)."""
    finest, coarsest = measure_local_scale(to_slab, xy_px)
    return 0.5 * np.log(finest * coarsest)


def shift_plane(
    to_slab: np.ndarray, height_mm: float, focal_px: float, shape_px: tuple[int, int]
) -> np.ndarray:
    """Return the homography of the face when that of a plane `height_mm` above it is known.

    Errors of the answer: the share by which `focal_px` is wrong, of the correction itself, which
    is `height_mm` over the camera's distance.
    """
    camera = _build_camera(focal_px, shape_px)
    to_photo = np.linalg.inv(to_slab)
    right, down, away = (np.linalg.inv(camera) @ to_photo).T
    size = math.sqrt(np.linalg.norm(right) * np.linalg.norm(down)) * math.copysign(1, away[2])
    into = np.cross(right / size, down / size)
    moved = camera @ np.column_stack([right / size, down / size, away / size + height_mm * into])
    matrix = np.linalg.inv(moved)
    return matrix / matrix[2, 2]


def read_focal_px(exif: dict, shape_px: tuple[int, int]) -> float:
    """Return the focal length in pixels from a photo's EXIF; NaN when it does not say.

    Errors of the answer: the 35 mm figure is a whole number (2-4 %), and wrong for cropped photos.
    """
    focal_mm = exif.get("FocalLengthIn35mm")
    if not isinstance(focal_mm, (int, float)) or not 8 <= focal_mm <= 400:
        return math.nan
    return focal_mm / math.hypot(36, 24) * math.hypot(*shape_px)


def _build_camera(focal_px: float, shape_px: tuple[int, int]) -> np.ndarray:
    rows, cols = shape_px
    return np.array([[focal_px, 0, (cols - 1) / 2], [0, focal_px, (rows - 1) / 2], [0, 0, 1.0]])


def estimate_tilt_deg(to_slab: np.ndarray, shape_px: tuple[int, int]) -> float:
    """Return the largest tilt of the camera, in degrees from square on, that fits a homography.

    The focal length is not known, so the usual range for hand-held cameras is tried and the
    tilts of those that fit nearly as well as the best are compared.

    Errors of the answer: a few degrees; the largest is given, so it is rather too much.
    """
    to_photo = np.linalg.inv(to_slab)
    tilts, misfits = [], []
    for factor in FOCAL_PER_LONG_SIDE:
        camera = _build_camera(factor * max(shape_px), shape_px)
        right, down, _ = (np.linalg.inv(camera) @ to_photo).T
        n_right, n_down = np.linalg.norm(right), np.linalg.norm(down)
        square_on = abs(np.cross(right, down)[2]) / np.linalg.norm(np.cross(right, down))
        tilts.append(math.degrees(math.acos(min(1.0, square_on))))
        misfits.append(abs(right @ down) / (n_right * n_down) + abs(math.log(n_right / n_down)))
    close = np.asarray(misfits) <= min(misfits) + 0.02
    return float(np.asarray(tilts)[close].max())
