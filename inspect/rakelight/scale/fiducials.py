"""Fiducials of OpenCV's 4x4_50 dictionary found in a photo, their corners to a small part of a pixel.

OpenCV names the squares; each side is then found again as a line, where the light crosses half way
between the black rim and the white paper, and the corners are where the lines meet.
"""

from dataclasses import dataclass

import numpy as np

from ..core.records import Photo
from .plane import cross_lines, list_linear_light

FIRST_LOOK_PX = 1800  # longest side of the picture the squares are first looked for in
SMALLEST_SIDE_PX = 12.0
KNOWN_SIDE_PX = 36.0  # squares of about known size are looked for at this size; a quarter and four times it work too
CLOSE_SIDE_PX = 50.0  # around squares smaller than this a second look finds neighbours that were missed,
CLOSE_REACH, CLOSE_ZOOMS, CLOSE_PX_MAX = 7.0, (1.5, 2.0), 12e6  # so many sides away, enlarged so
N_CELLS = 6  # cells along a side, the black rim included
N_PROFILES_MAX = 80
PAPER_TO_BLACK_MIN = 1.8  # light; print has 10 and more, glare and concrete have less


@dataclass(frozen=True, slots=True)
class Fiducial:
    """A fiducial as seen: its id and corners (4, 2) in photo pixels, clockwise from its top-left.

    corner_sd_px : standard uncertainty of a corner, from how straight its sides came out.
    """

    mark_id: int
    corners_px: np.ndarray
    corner_sd_px: float

    @property
    def side_px(self) -> float:
        """Mean side in photo pixels."""
        ahead = np.roll(self.corners_px, -1, axis=0) - self.corners_px
        return float(np.hypot(*ahead.T).mean())

    @property
    def middle_px(self) -> np.ndarray:
        """Where its diagonals cross, which is its centre under any perspective."""
        a, b, c, d = self.corners_px
        return cross_lines(np.array([*a, *(c - a)]), np.array([*b, *(d - b)]))


def find_fiducials(photo: Photo, *, side_px: float | None = None) -> tuple[Fiducial, ...]:
    """Return the fiducials in a photo by id, the larger one where an id is seen twice.

    Parameters
    ----------
    photo : Photo
        Any photo; squares down to 12 px a side are looked for.
    side_px : float, px
        About how long their sides are, where the scale is known already: one look at a picture as
        small as such squares allow is enough then, and takes a tenth of the time.

    Errors of the answer: corners to 0.02-0.1 px on sharp photos (made-up photos); a shadow edge
    across the rim of a square makes one side worse, and `corner_sd_px` grows.

    Source: fiducials and their decoding by OpenCV's aruco module; sides as lines through half-way
    crossings in linear light, our choice.
    """
    import cv2

    grey = cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY)
    side_px = None if side_px is None else side_px / photo.shrink
    shrink = max(grey.shape) / FIRST_LOOK_PX if side_px is None else side_px / KNOWN_SIDE_PX
    if side_px is not None and shrink > 3:  # whole steps are quicker; small ones had better be exact
        shrink = float(int(shrink))
    shrink = max(1.0, shrink)
    found = _detect_squares(_shrink(grey, shrink), shrink)
    if (
        side_px is None
        and shrink > 1
        and min((_side(c) for c in found.values()), default=0) < 6 * SMALLEST_SIDE_PX
    ):
        # Small squares lose their cells in the small picture: look at the whole one as well.
        found = _keep_larger(found, _detect_squares(grey, 1.0))
    found = _look_closer(grey, found)
    light = list_linear_light()
    sharp = (_sharpen_corners(grey, light, key, corners) for key, corners in sorted(found.items()))
    return tuple(_in_photo(fiducial, photo.shrink) for fiducial in sharp if fiducial is not None)


def _in_photo(fiducial: Fiducial, shrink: int) -> Fiducial:
    """Return a fiducial found in a photo read `shrink` times smaller with its places in the photo itself."""
    corners_px = (fiducial.corners_px + 0.5) * shrink - 0.5
    return Fiducial(fiducial.mark_id, corners_px, fiducial.corner_sd_px * shrink)


def _look_closer(grey: np.ndarray, found: dict[int, np.ndarray]) -> dict[int, np.ndarray]:
    """Return the squares with small neighbours that were missed: looked for around them, enlarged."""
    import cv2

    small = [corners for corners in found.values() if _side(corners) < CLOSE_SIDE_PX]
    if not small:
        return found
    reach_px = CLOSE_REACH * max(_side(corners) for corners in small)
    low = np.maximum(np.min(np.vstack(small), axis=0) - reach_px, 0).astype(int)
    high = (np.max(np.vstack(small), axis=0) + reach_px).astype(int)
    part = grey[low[1] : high[1], low[0] : high[0]]
    for zoom in CLOSE_ZOOMS:
        if part.size * zoom**2 <= CLOSE_PX_MAX:
            large = cv2.resize(part, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_CUBIC)
            seen = _detect_squares(large, 1 / zoom)
            found = {key: corners + low for key, corners in seen.items()} | found
    return found


def _detect_squares(grey: np.ndarray, shrink: float) -> dict[int, np.ndarray]:
    import cv2

    how = cv2.aruco.DetectorParameters()
    how.minMarkerPerimeterRate = 4 * SMALLEST_SIDE_PX / max(grey.shape)
    how.adaptiveThreshWinSizeMax = 43
    how.errorCorrectionRate = 0.5
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, how).detectMarkers(grey)
    squares: dict[int, np.ndarray] = {}
    for square, mark_id in zip(corners, [] if ids is None else np.ravel(ids), strict=True):
        place = (square.reshape(4, 2).astype(float) + 0.5) * shrink - 0.5
        squares = _keep_larger(squares, {int(mark_id): place})
    return squares


def _keep_larger(one: dict[int, np.ndarray], other: dict[int, np.ndarray]) -> dict[int, np.ndarray]:
    both = dict(one)
    for key, corners in other.items():
        if key not in both or _side(corners) > 1.05 * _side(both[key]):
            both[key] = corners
    return both


def _side(corners: np.ndarray) -> float:
    return float(np.hypot(*(np.roll(corners, -1, axis=0) - corners).T).mean())


def _shrink(grey: np.ndarray, factor: float) -> np.ndarray:
    import cv2

    if factor == 1:
        return grey
    if factor == int(factor):  # whole pixels are averaged many times as quickly as parts of them
        grey = grey[
            : int(grey.shape[0] // factor * factor), : int(grey.shape[1] // factor * factor)
        ]
    size_px = tuple(round(n / factor) for n in grey.shape[::-1])
    return cv2.resize(grey, size_px, interpolation=cv2.INTER_AREA)


def _sharpen_corners(
    grey: np.ndarray, light: np.ndarray, mark_id: int, corners: np.ndarray
) -> Fiducial | None:
    """Return the fiducial with its sides found as lines, or None when a side cannot be found."""
    scatter = np.full(4, np.nan)
    for _ in range(2):
        lines = []
        for k in range(4):
            line, scatter[k] = _find_side(grey, light, corners[k], corners[(k + 1) % 4])
            lines.append(line)
        if any(line is None for line in lines):
            return None
        sharp = np.array([cross_lines(lines[k - 1], lines[k]) for k in range(4)])
        if not np.isfinite(sharp).all() or np.abs(sharp - corners).max() > _side(corners) / N_CELLS:
            return None
        corners = sharp
    return Fiducial(mark_id, corners, float(max(np.sqrt(np.mean(scatter**2)), 0.02)))


def _find_side(
    grey: np.ndarray, light: np.ndarray, start: np.ndarray, end: np.ndarray
) -> tuple[np.ndarray | None, float]:
    """Return a side as (x, y, dx, dy) and the doubt of its ends in pixels."""
    along = end - start
    length_px = float(np.hypot(*along))
    along = along / length_px
    outward = np.array([along[1], -along[0]])  # corners run clockwise in the picture, y down
    reach_px = float(np.clip(0.45 * length_px / N_CELLS, 2.0, 8.0))
    share = np.linspace(0.06, 0.94, int(np.clip(length_px, 12, N_PROFILES_MAX)))
    offset_px = np.arange(-reach_px, reach_px + 0.25, 0.25)
    at = start + share[:, None, None] * length_px * along + offset_px[None, :, None] * outward
    shift_px = _find_crossings(_read_light(grey, light, at), offset_px)
    distance_px = share * length_px
    keep = np.isfinite(shift_px)
    if np.count_nonzero(keep) < 6:
        return None, np.nan
    slope, level, scatter_px = _fit_line(distance_px[keep], shift_px[keep])
    place = start + level * outward
    return np.array([*place, *(along + slope * outward)]), 2 * scatter_px / np.sqrt(keep.sum())


def _read_light(grey: np.ndarray, light: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Return linear light at photo places (n, m, 2), interpolated after the curve is undone."""
    import cv2

    low = np.maximum(np.floor(at.reshape(-1, 2).min(axis=0)).astype(int) - 1, 0)
    high = np.ceil(at.reshape(-1, 2).max(axis=0)).astype(int) + 2
    crop = light[grey[low[1] : high[1], low[0] : high[0]]]
    local = (at - low).astype(np.float32)
    return cv2.remap(
        crop, local[..., 0], local[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )


def _find_crossings(profiles: np.ndarray, offset_px: np.ndarray) -> np.ndarray:
    """Return where each dark-to-bright profile crosses half way, in pixels; NaN where it does not.

    The place is that of the step that holds the same light, so blur on either side cancels.
    """
    n_end = max(2, len(offset_px) // 6)
    dark = np.median(profiles[:, :n_end], axis=1)
    bright = np.median(profiles[:, -n_end:], axis=1)
    contrast = bright - dark
    if np.median(bright) < PAPER_TO_BLACK_MIN * np.median(dark):
        return np.full(len(profiles), np.nan)
    usable = contrast > 0.25 * np.median(np.maximum(contrast, 0)) + 1e-6
    share = (profiles - dark[:, None]) / np.where(usable, contrast, 1)[:, None]
    step_px = offset_px[1] - offset_px[0]
    lit_px = np.sum(share, axis=1) * step_px
    place = offset_px[-1] + step_px / 2 - lit_px
    inside = np.abs(place) < 0.7 * offset_px[-1]
    return np.where(usable & inside, place, np.nan)


def _fit_line(distance_px: np.ndarray, shift_px: np.ndarray) -> tuple[float, float, float]:
    """Return slope, level at zero and robust scatter of a line; outliers are left out twice."""
    keep = np.ones(len(distance_px), bool)
    for _ in range(3):
        slope, level = np.polyfit(distance_px[keep], shift_px[keep], 1)
        away = shift_px - (slope * distance_px + level)
        scatter = 1.4826 * np.median(np.abs(away[keep])) + 1e-3
        keep = np.abs(away) < 3 * scatter
        if np.count_nonzero(keep) < 5:
            break
    return float(slope), float(level), float(scatter)
