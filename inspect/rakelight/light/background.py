"""The lamp's fall-off, divided out.

A low lamp lights the near end of a slab far more than the far end. What changes slowly over
the face is taken for the lamp; what is left, `relief`, is light relative to its surroundings:
0 on flat face, negative in shade, positive on walls that look at the lamp. Smaller
`noise_sd` is better: it is the grain of the face under this lamp.
"""

from collections.abc import Callable

import cv2
import numpy as np

from ..core.records import FaceMap, FlatPhoto
from ..core.settings import LightSettings
from ..core.threads import share_out, solve_terms

STRIP_ROWS = 128
COARSE_ROWS = 2048  # a multiple of any halving
SAMPLE_STEP = 7  # the grain is read from every so many rows and columns
_MAD_TO_SD = 1.4826  # of a normal distribution
_LINEAR_MIN = 1e-3  # darker than this is black; keeps the division finite


def flatten_light(
    face: FaceMap, *, settings: LightSettings = LightSettings(), threads: int = 2
) -> FlatPhoto:
    """Return the face as light relative to its surroundings (0 = flat), lamp divided out.

    Parameters
    ----------
    face : FaceMap
        Rectified face, uint8 sRGB (rows, cols, 3), with the mask of what is seen.
    settings : LightSettings
        Scale of the background; it must be larger than the largest pit.
    threads : int
        Strips worked on at once.

    Returns
    -------
    FlatPhoto
        `relief` float32 (rows, cols), 0 where the face is not seen; `background` float32 at a
        coarse grid; `noise_sd` robust grain level of the relief.

    Errors of the answer
    --------------------
    Within about one background scale of a strong step (an edge, a paper) the relief is off by
    up to half the step. A tone change wider than the scale is removed with the lamp.

    Source
    ------
    Ratio to a robust local mean, our choice; sRGB curve of IEC 61966-2-1. Brightness is read from
    the luma, which for the near-neutral colours of concrete is within 1 % of linear luminance.
    """
    is_all_seen = bool(face.seen.all())
    background = find_background(face, settings=settings)
    relief = flatten_rows(face, background, (0, len(face.seen)), threads=threads)
    some = slice(None, None, SAMPLE_STEP), slice(None, None, SAMPLE_STEP)
    sample = relief[some] if is_all_seen else relief[some][face.seen[some]]
    seen = None if is_all_seen else face.seen
    return FlatPhoto(relief, background, robust_sd(sample), face.mm_per_px, seen, face.shrink)


def flatten_rows(
    face: FaceMap, background: np.ndarray, rows: tuple[int, int], *, threads: int = 2
) -> np.ndarray:
    """Return some rows of the relief, float32 (rows, cols), the lamp's light being known: see `flatten_light`."""
    top, bottom = rows
    relief = np.empty((bottom - top, face.seen.shape[1]), np.float32)
    inverse, table = (1 / background).astype(np.float32), linear_table()

    def work(first: int) -> None:
        last = min(first + STRIP_ROWS, bottom)
        _flatten_strip(relief[first - top : last - top], face, inverse, table, (first, last))

    share_out(work, range(top, bottom, STRIP_ROWS), threads=threads)
    return relief


def linear_table() -> np.ndarray:
    """Return the linear light (0-1) of each 8-bit sRGB code, float32 (256,)."""
    code = np.arange(256) / 255
    linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    return linear.astype(np.float32)


def robust_sd(values: np.ndarray) -> float:
    """Return the standard deviation that the middle half of `values` suggests."""
    values = np.asarray(values, np.float32).ravel()
    if values.size == 0:
        return 0.0
    return float(_MAD_TO_SD * np.median(np.abs(values - np.median(values))))


def find_background(
    face: FaceMap,
    *,
    settings: LightSettings = LightSettings(),
    let_go: Callable[[], None] = lambda: None,
) -> np.ndarray:
    """Return the lamp's light (linear) on a coarse grid, float32: local mean of the seen face, outliers pulled in once.

    The face is read once, strip by strip; it may lie on disk. `let_go` is called after each strip.
    """
    seen, table = (None if face.seen.all() else face.seen), linear_table()
    let_go()
    rows, cols = face.seen.shape
    scale_px = max(settings.background_scale_mm / face.mm_per_px, settings.background_scale_min_px)
    shrink = max(1, min(int(scale_px / 8), min(rows, cols) // 8 or 1))
    size = (max(1, cols // shrink), max(1, rows // shrink))
    grey = cv2.cvtColor(_halve_often(face.rgb, size, let_go), cv2.COLOR_RGB2GRAY)
    light = cv2.LUT(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), table)
    weight = np.ones(light.shape, np.float32)
    if seen is not None and seen.any():
        share = cv2.resize(seen.view(np.uint8), size, interpolation=cv2.INTER_AREA)
        weight = (share > 0.99).astype(np.float32)
    elif seen is not None:
        weight[:] = 0
    trend = _fit_trend(light, weight)
    even, sigma = light / trend, scale_px / shrink / 2
    mean = _weighted_blur(even, weight, sigma)
    spread = max(robust_sd((even / mean - 1)[weight > 0]), 0.01)
    calm = np.clip(even, mean * (1 - 2 * spread), mean * (1 + 2 * spread))
    return np.maximum(trend * _weighted_blur(calm, weight, sigma), _LINEAR_MIN)


def _halve_often(rgb: np.ndarray, size: tuple[int, int], let_go: Callable[[], None]) -> np.ndarray:
    """The photo halved as long as it stays four times as large as asked for, read in strips.

    Whole steps are averaged many times as quickly as fractions of a pixel.
    """
    rows, cols = rgb.shape[:2]
    factor = 1
    while (
        rows % (2 * factor) == 0 == cols % (2 * factor)
        and min(rows // size[1], cols // size[0]) >= 8 * factor
    ):
        factor *= 2
    small = np.empty((rows // factor, cols // factor, 3), np.uint8)
    for top in range(0, rows, COARSE_ROWS):
        strip = rgb[top : top + COARSE_ROWS]
        into = small[top // factor : (top + len(strip)) // factor]
        cv2.resize(strip, into.shape[1::-1], dst=into, interpolation=cv2.INTER_AREA)
        let_go()
    return small


def _fit_trend(light: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Quadratic surface through the log of the light: keeps the blur honest at the borders."""
    y, x = np.meshgrid(
        np.linspace(-1, 1, light.shape[0]), np.linspace(-1, 1, light.shape[1]), indexing="ij"
    )
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1).reshape(-1, 6)
    seen = weight.ravel() > 0
    if np.count_nonzero(seen) < 24:
        return np.ones_like(light)
    log_light = np.log(np.maximum(light.ravel(), _LINEAR_MIN))
    answer = solve_terms(terms[seen], log_light[seen])
    limit = log_light[seen].min(), log_light[seen].max()
    fitted = np.einsum("ij,j->i", terms, answer)
    return np.exp(np.clip(fitted, *limit)).reshape(light.shape).astype(np.float32)


def _weighted_blur(values: np.ndarray, weight: np.ndarray, sigma: float) -> np.ndarray:
    top = cv2.GaussianBlur(values * weight, (0, 0), sigma, borderType=cv2.BORDER_REFLECT)
    bottom = cv2.GaussianBlur(weight, (0, 0), sigma, borderType=cv2.BORDER_REFLECT)
    overall = float((values * weight).sum() / max(float(weight.sum()), 1.0)) or _LINEAR_MIN
    mean = np.where(bottom > 1e-3, top / np.maximum(bottom, 1e-3), overall)
    return np.maximum(mean, _LINEAR_MIN).astype(np.float32)


def _flatten_strip(
    strip: np.ndarray, face: FaceMap, inverse: np.ndarray, table: np.ndarray, rows: tuple[int, int]
) -> None:
    top, bottom = rows
    cv2.LUT(cv2.cvtColor(face.rgb[top:bottom], cv2.COLOR_RGB2GRAY), table, dst=strip)
    cv2.multiply(strip, _enlarge_strip(inverse, face.seen.shape, top, bottom), dst=strip)
    cv2.subtract(strip, 1.0, dst=strip)
    visible = face.seen[top:bottom]
    if not visible.all():
        strip[~visible] = 0.0


def _enlarge_strip(coarse: np.ndarray, shape: tuple[int, int], top: int, bottom: int) -> np.ndarray:
    """Rows top..bottom of a coarse map at the full pixel grid (bilinear, cell centres, edges held)."""
    place = (np.arange(top, bottom, dtype=np.float32) + 0.5) * (coarse.shape[0] / shape[0]) - 0.5
    place = np.clip(place, 0, coarse.shape[0] - 1)
    upper = np.minimum(place.astype(np.intp), max(coarse.shape[0] - 2, 0))
    share = (place - upper)[:, None].astype(np.float32)
    lower = np.minimum(upper + 1, coarse.shape[0] - 1)
    rows = coarse[upper] * (1 - share) + coarse[lower] * share
    return cv2.resize(rows, (shape[1], bottom - top), interpolation=cv2.INTER_LINEAR)
