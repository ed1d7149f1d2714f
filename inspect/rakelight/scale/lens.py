"""What the lens bends: from lines that are straight on the slab, or from photos of a chessboard."""

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np

from ..core.checks import say_write_trouble
from ..core.errors import OutputError, ScaleError, SettingsError
from ..core.flags import flag_bit
from ..core.records import Lens, Photo, Scale
from .layout import BOARD_CORNERS
from .plane import straighten_points

EDGE_BOW_SHARE = 0.0004  # cast edges bow by about this share of their length: 0.25 mm on 600 mm
STANDS_OUT = 3.0
PHOTOS_MIN = 4
BOARD_RMS_MAX_PX = 2.0


class _LensFile(msgspec.Struct, forbid_unknown_fields=True):
    k1: float
    k2: float
    centre_px: tuple[float, float]
    unit_px: float
    photo_px: tuple[int, int]  # width, height


def estimate_lens(
    lines_px: Sequence[np.ndarray], shape_px: tuple[int, int]
) -> tuple[Lens | None, float]:
    """Return the lens that makes lines straight, or None when it does not stand out; and k1's doubt.

    Parameters
    ----------
    lines_px : sequence of float (n, 2)
        Points along edges that are straight on the slab, as (x, y) photo pixels.
    shape_px : (rows, cols)
        The photo's size; the lens is taken to sit behind its middle.

    Errors of the answer: an edge that bows by 0.25 mm on 600 mm is worth about 0.002 of k1; all
    four edges of a slab bowed alike cannot be told from a lens. The doubt holds both.

    Source: plumb-line method, Brown, Close-range camera calibration, 1971 (from memory).
    """
    from scipy.optimize import least_squares

    centre_px = ((shape_px[1] - 1) / 2, (shape_px[0] - 1) / 2)
    unit_px = math.hypot(*centre_px)
    lines_px = [np.asarray(line, float) for line in lines_px if len(line) >= 8]
    if not lines_px:
        return None, math.inf

    def measure_bows(terms: np.ndarray) -> np.ndarray:
        lens = Lens(float(terms[0]), 0.0, centre_px, unit_px)
        return np.array([_measure_bow(straighten_points(lens, line)) for line in lines_px])

    fit = least_squares(lambda terms: measure_bows(terms) / EDGE_BOW_SHARE, [0.0], loss="soft_l1")
    grip = float(fit.jac[:, 0] @ fit.jac[:, 0])
    k1, k1_sd = float(fit.x[0]), 1 / math.sqrt(grip) if grip > 0 else math.inf
    k1_sd *= max(1.0, math.sqrt(2 * fit.cost / len(lines_px)))
    if abs(k1) < STANDS_OUT * k1_sd or abs(k1) > 0.4:
        return None, k1_sd
    return Lens(k1, 0.0, centre_px, unit_px, basis="edges"), k1_sd


def calibrate_lens(
    photos: Sequence[Photo], *, corners: tuple[int, int] = BOARD_CORNERS
) -> tuple[Lens, float]:
    """Return the lens from photos of a flat chessboard, and the misfit of its corners in pixels.

    Parameters
    ----------
    photos : sequence of Photo
        Four or more of one camera at one zoom, the board filling the photo, each tilted another
        way; photos where the board is not found are left out.
    corners : (columns, rows)
        Inner corners of the board; the printed one has 9 x 6.

    Errors of the answer: k1 to about 0.005 with six sharp photos that reach the photo's corners.

    Source: OpenCV's calibrateCamera, after Zhang, A flexible new technique for camera
    calibration, 2000 (from memory).
    """
    import cv2

    shapes = {photo.shape_px for photo in photos}
    if len(shapes) > 1:
        raise ScaleError("The chessboard photos differ in size; use one camera held one way.")
    seen = [found for photo in photos if (found := _find_board(photo, corners)) is not None]
    if len(seen) < PHOTOS_MIN:
        raise ScaleError(
            f"The chessboard was found in {len(seen)} photos; {PHOTOS_MIN} or more are needed, each"
            " tilted another way, with the whole board sharp."
        )
    grid = np.zeros((corners[0] * corners[1], 3), np.float32)
    grid[:, :2] = np.mgrid[: corners[0], : corners[1]].T.reshape(-1, 2)
    rows, cols = shapes.pop()
    middle = np.array([[cols, 0, (cols - 1) / 2], [0, cols, (rows - 1) / 2], [0, 0, 1]], float)
    how = cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3
    how |= cv2.CALIB_USE_INTRINSIC_GUESS
    rms_px, camera, terms, *_ = cv2.calibrateCamera(
        [grid] * len(seen), seen, (cols, rows), middle, None, flags=how
    )
    if rms_px > BOARD_RMS_MAX_PX:
        raise ScaleError(
            f"The chessboard photos do not fit together ({rms_px:.1f} px); keep the board flat and"
            " the zoom the same."
        )
    k1, k2 = (float(term) for term in np.ravel(terms)[:2])
    centre_px = (float(camera[0, 2]), float(camera[1, 2]))
    return Lens(k1, k2, centre_px, float(camera[0, 0]), basis="chessboard"), float(rms_px)


def write_lens(path: str | Path, lens: Lens, shape_px: tuple[int, int]) -> Path:
    """Return the path of a small text file that keeps a lens for later photos of its camera."""
    path = Path(path)
    entry = _LensFile(lens.k1, lens.k2, lens.centre_px, lens.unit_px, shape_px[::-1])
    head = "# Lens of one camera at one zoom, from photos of a chessboard.\n"
    try:
        path.write_bytes(head.encode() + _encode_toml(entry))
    except OSError as trouble:
        raise OutputError(say_write_trouble(trouble, path)) from None
    return path


def read_lens(path: str | Path, shape_px: tuple[int, int]) -> Lens:
    """Return a kept lens, fitted to photos of this size; another shape of photo is an error."""
    path = Path(path)
    try:
        entry = msgspec.toml.decode(path.read_bytes(), type=_LensFile)
    except FileNotFoundError:
        raise SettingsError(f"There is no file {path}; check the name of the lens file.") from None
    except (OSError, msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        raise SettingsError(
            f"{path.name} is not a lens file; make one with rakelight lens."
        ) from None
    width, height = entry.photo_px
    centre_px, size_px = np.array(entry.centre_px), np.array([width, height], float)
    if (width >= height) != (shape_px[1] >= shape_px[0]):
        # The camera was held the other way: turned by 90 degrees, which side up does not matter
        # for a lens that sits within a few pixels of the middle.
        centre_px, size_px = centre_px[::-1], size_px[::-1]
    growth = shape_px[1] / size_px[0]
    if abs(shape_px[0] / size_px[1] / growth - 1) > 0.01:
        raise SettingsError(
            f"{path.name} is for photos of {width} x {height} pixels; this photo has another shape."
        )
    centre_px = (centre_px + 0.5) * growth - 0.5
    return Lens(
        entry.k1, entry.k2, (float(centre_px[0]), float(centre_px[1])), entry.unit_px * growth,
        basis="chessboard",
    )  # fmt: skip


def use_lens(scale: Scale, lens: Lens | None) -> Scale:
    """Return a scale of straight-line pixels for a photo whose lens is known; unchanged without one.

    Errors of the answer: those of the scale; where it came from points picked in the photo, these
    are taken for straight-line places.
    """
    if lens is None:
        return scale
    return replace(scale, lens=lens, flags=scale.flags & ~flag_bit("lens_not_corrected"))


def _measure_bow(line: np.ndarray) -> float:
    """Return how far the middle of a line stands off its ends, as a share of its length."""
    middle = line.mean(axis=0)
    _, _, axes = np.linalg.svd(line - middle, full_matrices=False)
    along, across = (line - middle) @ axes.T[:, 0], (line - middle) @ axes.T[:, 1]
    length = np.ptp(along)
    curve = np.polyfit(along / length, across / length, 2)
    # An SVD axis may point either way; the sign of the bow must not jump with it.
    sign = math.copysign(1.0, axes[1][np.argmax(np.abs(axes[1]))])
    return float(curve[0] / 4 * sign)


def _find_board(photo: Photo, corners: tuple[int, int]) -> np.ndarray | None:
    import cv2

    grey = cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY)
    shrink = max(1.0, max(grey.shape) / 1600)
    small = cv2.resize(grey, None, fx=1 / shrink, fy=1 / shrink, interpolation=cv2.INTER_AREA)
    is_found, at = cv2.findChessboardCornersSB(small, corners)
    if not is_found:
        return None
    at = ((at.reshape(-1, 1, 2) + 0.5) * shrink - 0.5).astype(np.float32)
    reach = max(3, round(shrink * 4))
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 0.001)
    return cv2.cornerSubPix(grey, at, (reach, reach), (-1, -1), stop)


def _encode_toml(entry: _LensFile) -> bytes:
    lines = [
        f"k1 = {entry.k1!r}",
        f"k2 = {entry.k2!r}",
        f"centre_px = [{entry.centre_px[0]!r}, {entry.centre_px[1]!r}]",
        f"unit_px = {entry.unit_px!r}",
        f"photo_px = [{entry.photo_px[0]}, {entry.photo_px[1]}]",
    ]
    return ("\n".join(lines) + "\n").encode()
