"""Scale from what a person gives: millimetres per pixel, the slab's four corners, or one length."""

import math
from collections.abc import Sequence

import numpy as np

from ..core.checks import check_number, check_positive
from ..core.errors import ScaleError
from ..core.flags import flag_bit
from ..core.records import Lens, Scale
from .plane import (
    choose_mm_per_px,
    estimate_scale_sd,
    estimate_tilt_deg,
    fit_plane,
    measure_spread,
)

CORNER_NAMES = ("top-left", "top-right", "bottom-right", "bottom-left")
FRAME_TOLERANCE = 0.25  # a corner may lie this share of the photo's side outside the photo
FACE_SHARE_MIN = 0.005  # the slab must cover this share of the photo
SHAPE_MISFIT_MAX = 2.5  # sides' ratio in the photo against the ratio in mm; a 60 degree tilt is 2
TILT_WARNING_DEG = 35.0
FACE_MM_MAX = 50_000.0


def scale_from_mm_per_px(
    shape_px: tuple[int, int], mm_per_px: float, *, mm_per_px_sd: float | None = None
) -> Scale:
    """Return the scale of a photo taken square on, whose mm per pixel is known.

    Parameters
    ----------
    shape_px : (rows, cols)
        The photo's size; all of the photo is taken for the face.
    mm_per_px : float, mm, above 0
        Size of a photo pixel on the face.
    mm_per_px_sd : float, mm, optional
        Its standard uncertainty; NaN in the record when not given.

    Returns
    -------
    Scale
        `source` is `mm_per_px`; the map is the photo itself.

    Errors of the answer: as good as the number typed in; perspective and lens are not looked at.
    """
    mm_per_px = _check_mm_per_px(mm_per_px, shape_px)
    if mm_per_px_sd is not None:
        check_number(mm_per_px_sd, "mm_per_px_sd", low=0, error=ScaleError)
    return _scale_square_on(shape_px, mm_per_px, "mm_per_px", mm_per_px_sd, ("lens_not_corrected",))


def scale_from_length(
    point_a_px: Sequence[float],
    point_b_px: Sequence[float],
    length_mm: float,
    shape_px: tuple[int, int],
    *,
    point_sd_px: float = 1.5,
) -> Scale:
    """Return the scale of a photo from one known length between two points; perspective is ignored.

    Parameters
    ----------
    point_a_px, point_b_px : (x, y)
        The two ends in photo pixels.
    length_mm : float, mm, above 0
        The distance between them on the face.
    shape_px : (rows, cols)
        The photo's size; all of the photo is taken for the face.
    point_sd_px : float, px
        Standard uncertainty of a picked end. 1.5 px: our choice for a careful tap.

    Errors of the answer: a camera tilted by 10 degrees makes sizes along the tilt 1.5 % short and
    changes the scale from edge to edge; the flag `perspective_ignored` says so.
    """
    length_mm = check_positive(length_mm, "The length between the two points", error=ScaleError)
    ends = np.array([_check_point(point_a_px, "first end"), _check_point(point_b_px, "second end")])
    length_px = float(np.hypot(*(ends[1] - ends[0])))
    if length_px < 20:
        raise ScaleError("The two points are less than 20 pixels apart; choose a longer length.")
    mm_per_px = _check_mm_per_px(length_mm / length_px, shape_px)
    relative_sd = math.sqrt(2) * point_sd_px / length_px
    flags = ("perspective_ignored", "lens_not_corrected")
    return _scale_square_on(shape_px, mm_per_px, "length", relative_sd * mm_per_px, flags)


def scale_from_corners(
    corners_px: Sequence[Sequence[float]],
    size_mm: tuple[float, float],
    shape_px: tuple[int, int],
    *,
    corner_sd_px: float = 1.5,
) -> Scale:
    """Return the scale of a photo from the slab's four corners and its size.

    Parameters
    ----------
    corners_px : four (x, y)
        The plan's top-left, top-right, bottom-right and bottom-left corner in photo pixels.
        They may lie a quarter of the photo outside it when the photo cuts the slab.
    size_mm : (width, height), mm
        The slab's size in the plan.
    shape_px : (rows, cols)
        The photo's size.
    corner_sd_px : float, px
        Standard uncertainty of a picked corner. 1.5 px: our choice for a careful tap.

    Returns
    -------
    Scale
        `source` is `corners`; `mm_per_px` is the map's, the finest that the photo shows.

    Errors of the answer: `mm_per_px_sd` from picking the corners; the measured size of the slab
    and its squareness come on top, and so does the lens (flag `lens_not_corrected`).
    """
    size_mm = check_size(size_mm)
    corners = check_corners(corners_px, shape_px)
    _check_shape(corners, size_mm)
    places = face_corners(size_mm)
    to_slab = fit_plane(corners, places)
    relative_sd = estimate_scale_sd(corners, places, size_mm, point_sd_px=corner_sd_px)
    return build_scale("corners", to_slab, size_mm, shape_px, relative_sd=relative_sd)


def build_scale(
    source: str,
    to_slab: np.ndarray,
    size_mm: tuple[float, float],
    shape_px: tuple[int, int],
    *,
    relative_sd: float,
    lens: Lens | None = None,
    is_lens_known: bool = False,
) -> Scale:
    """Return the scale record of a plane: map pixel, spread, tilt and what must be doubted."""
    spread = measure_spread(to_slab, size_mm)
    mm_per_px = choose_mm_per_px(spread[0], size_mm, shape_px)
    tilt_deg = estimate_tilt_deg(to_slab, shape_px)
    return Scale(
        source=source,
        mm_per_px=mm_per_px,
        mm_per_px_sd=relative_sd * mm_per_px,
        to_slab=to_slab,
        size_mm=size_mm,
        flags=0 if is_lens_known else flag_bit("lens_not_corrected"),
        notes=describe_view(spread, tilt_deg),
        spread_mm_per_px=spread,
        tilt_deg=tilt_deg,
        lens=lens,
    )


def face_corners(size_mm: tuple[float, float]) -> np.ndarray:
    """Return the corners (4, 2) of a face in mm, from the top-left clockwise."""
    width_mm, height_mm = size_mm
    return np.array([[0, 0], [width_mm, 0], [width_mm, height_mm], [0, height_mm]], float)


def check_size(size_mm: tuple[float, float]) -> tuple[float, float]:
    """Return a face's (width, height) in mm, or raise a ScaleError."""
    try:
        width_mm, height_mm = size_mm
    except (TypeError, ValueError):
        raise ScaleError("Give the slab's size as width and height, such as 2400x700.") from None
    width_mm = check_positive(width_mm, "The slab's width", error=ScaleError)
    height_mm = check_positive(height_mm, "The slab's height", error=ScaleError)
    if min(width_mm, height_mm) < 10 or max(width_mm, height_mm) > FACE_MM_MAX:
        raise ScaleError(
            "The slab's size must be between 10 mm and 50 m a side,"
            f" not {width_mm:g} x {height_mm:g} mm."
        )
    return width_mm, height_mm


def check_corners(corners_px: Sequence[Sequence[float]], shape_px: tuple[int, int]) -> np.ndarray:
    """Return the slab's four corners (4, 2) in photo pixels, or raise a ScaleError."""
    if len(corners_px) != 4:
        raise ScaleError(f"Give four corners of the slab, not {len(corners_px)}.")
    corners = np.array(
        [
            _check_point(corner, f"{name} corner")
            for name, corner in zip(CORNER_NAMES, corners_px, strict=True)
        ]
    )
    _check_frame(corners, shape_px)
    _check_order(corners, shape_px)
    return corners


def describe_view(spread_mm_per_px: tuple[float, float], tilt_deg: float) -> tuple[str, ...]:
    """Return in words how the pixel's size spreads over the face, and a tilt that is too much."""
    finest, coarsest = spread_mm_per_px
    notes = [f"One photo pixel covers {finest:.3f} to {coarsest:.3f} mm on the face."]
    if tilt_deg > TILT_WARNING_DEG:
        notes.append(
            f"The camera was tilted by about {tilt_deg:.0f} degrees;"
            " hold it more square to the face for even detail."
        )
    return tuple(notes)


def _scale_square_on(shape_px, mm_per_px, source, mm_per_px_sd, flag_names) -> Scale:
    half = 0.5 * mm_per_px
    return Scale(
        source=source,
        mm_per_px=mm_per_px,
        mm_per_px_sd=math.nan if mm_per_px_sd is None else float(mm_per_px_sd),
        to_slab=np.array([[mm_per_px, 0, half], [0, mm_per_px, half], [0, 0, 1.0]]),
        size_mm=(shape_px[1] * mm_per_px, shape_px[0] * mm_per_px),
        flags=sum(flag_bit(name) for name in flag_names),
        spread_mm_per_px=(mm_per_px, mm_per_px),
    )


def _check_mm_per_px(mm_per_px: float, shape_px: tuple[int, int]) -> float:
    mm_per_px = check_positive(mm_per_px, "mm per pixel", error=ScaleError)
    if max(shape_px) * mm_per_px > FACE_MM_MAX or max(shape_px) * mm_per_px < 1:
        raise ScaleError(
            f"{mm_per_px:g} mm per pixel makes the photo {max(shape_px) * mm_per_px:g} mm long;"
            " check the number."
        )
    return mm_per_px


def _check_point(point_px: Sequence[float], name: str) -> np.ndarray:
    point = np.asarray(point_px, float)
    if point.shape != (2,) or not np.isfinite(point).all():
        raise ScaleError(f"The {name} must be two numbers, x and y in photo pixels.")
    return point


def _check_frame(corners: np.ndarray, shape_px: tuple[int, int]) -> None:
    rows, cols = shape_px
    share = corners / (cols, rows)
    outside = np.maximum(-share, share - 1).max(axis=1)
    worst = int(outside.argmax())
    if outside[worst] > FRAME_TOLERANCE:
        x, y = corners[worst]
        raise ScaleError(
            f"The {CORNER_NAMES[worst]} corner ({x:g}, {y:g}) lies far outside the photo"
            f" of {cols} x {rows} pixels."
        )


def _check_order(corners: np.ndarray, shape_px: tuple[int, int]) -> None:
    ahead = np.roll(corners, -1, axis=0) - corners
    after = np.roll(ahead, -1, axis=0)
    turns = ahead[:, 0] * after[:, 1] - ahead[:, 1] * after[:, 0]
    if (turns < 0).all():
        raise ScaleError(
            "The corners run the wrong way round;"
            " give top-left, top-right, bottom-right, bottom-left."
        )
    if not (turns > 0).all():
        raise ScaleError(
            "The corners do not form a four-sided face; give top-left, top-right, bottom-right,"
            " bottom-left, each at its own corner."
        )
    x, y = corners.T
    area_px = 0.5 * abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
    if area_px < FACE_SHARE_MIN * shape_px[0] * shape_px[1]:
        raise ScaleError("The corners enclose too little of the photo; go closer or check them.")


def _check_shape(corners: np.ndarray, size_mm: tuple[float, float]) -> None:
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    misfit = ((sides[0] + sides[2]) / (sides[1] + sides[3])) / (size_mm[0] / size_mm[1])
    if not 1 / SHAPE_MISFIT_MAX < misfit < SHAPE_MISFIT_MAX:
        raise ScaleError(
            f"The corners do not fit a slab {size_mm[0]:g} mm wide and {size_mm[1]:g} mm high;"
            " check the size and which corner is the plan's top-left."
        )
