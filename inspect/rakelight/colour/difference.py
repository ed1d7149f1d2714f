"""How far apart two tones are: CIE L*a*b*, CIEDE2000, the textile grey scale and plain words.

Catalogue: `find_lab` (linear light to L*a*b*), `measure_dE00`, `measure_dEF` and `grade_grey_scale`
(ISO 105-A05, a reading aid), `name_half_grade`, `describe_tone`. Smaller differences and higher
grades are better. L*a*b* is D65, 2 degrees throughout.
"""

import math

import cv2
import numpy as np

HALF_GRADE_LIMITS = (
    (0.40, "5"), (1.25, "4-5"), (2.10, "4"), (2.95, "3-4"), (4.10, "3"),
    (5.80, "2-3"), (8.20, "2"), (11.60, "1-2"),
)
"""Upper ends of dE_F for each half grade; ISO 105-A05 table, from memory."""

ROUNDING_SD = (0.05, 0.25, 0.25)
"""Standard uncertainty of L*, a* and b* of one place from the rounding of a JPEG's colours (made-up photos)."""

WORD_LIMIT = 0.5
"""Least difference along one axis of L*a*b* that gets a word (our choice, half of dE = 1)."""


def find_lab(linear: np.ndarray) -> np.ndarray:
    """Return CIE L*a*b* (D65, 2 degrees) of linear sRGB light.

    Parameters
    ----------
    linear : (..., 3) float, red, green, blue in linear light, 1 = a perfect white under the lamp.

    Returns
    -------
    float32 array of the same shape; NaN stays NaN.

    Errors of the answer
    --------------------
    Against the exact formula at most 0.02 in any channel over the whole sRGB cube (checked).

    Source
    ------
    CIE 15 as coded in OpenCV; sRGB primaries of IEC 61966-2-1.
    """
    linear = np.asarray(linear, np.float32)
    flat = np.ascontiguousarray(linear.reshape(-1, 1, 3))
    if flat.shape[0] == 0:
        return linear.copy()
    lab = cv2.cvtColor(flat, cv2.COLOR_LRGB2Lab).reshape(linear.shape)
    lab[~np.isfinite(linear).all(axis=-1)] = np.nan
    return lab


def measure_dE00(lab: np.ndarray, reference: np.ndarray) -> np.ndarray:
    """Return the CIEDE2000 difference (kL = kC = kH = 1) of tones (..., 3) to a reference (..., 3).

    Errors of the answer: none beyond the formula; it was made for differences below about 5.
    Source: Sharma, Wu and Dalal, The CIEDE2000 color-difference formula, 2005, in scikit-image.
    """
    from skimage.color import deltaE_ciede2000  # half a second to load, and only colour needs it

    lab, reference = np.broadcast_arrays(np.asarray(lab, np.float64), np.asarray(reference, np.float64))
    return deltaE_ciede2000(lab, reference)


def find_dE00_sd(lab: np.ndarray, reference: np.ndarray, sd: np.ndarray) -> float:
    """Return the standard uncertainty of dE00 from those (3,) of the difference in L*a*b*.

    Errors of the answer: first order. Source: propagation of uncertainty.
    """
    lab, reference = np.asarray(lab, float), np.asarray(reference, float)
    nudged = measure_dE00(lab + 0.05 * np.eye(3), reference)
    slope = (nudged - measure_dE00(lab, reference)) / 0.05
    return float(np.sqrt(np.square(slope * sd).sum()))


def measure_dEF(lab: np.ndarray, reference: np.ndarray) -> np.ndarray:
    """Return dE_F of ISO 105-A05 of tones (..., 3) to a reference (..., 3).

    For neutral greys this is the difference of L* alone.

    Errors of the answer: none beyond the formula. Source: ISO 105-A05, steps read in two public
    implementations that name clause 8.
    """
    lab, reference = np.asarray(lab, np.float64), np.asarray(reference, np.float64)
    chroma, chroma_0 = np.hypot(lab[..., 1], lab[..., 2]), np.hypot(reference[..., 1], reference[..., 2])
    d_l, d_chroma = lab[..., 0] - reference[..., 0], chroma - chroma_0
    hue, hue_0 = _hue_deg(lab), _hue_deg(reference)
    turn = (hue - hue_0 + 180) % 360 - 180
    # The chord between two hues keeps the sign of the turn.
    d_hue = 2 * np.sqrt(chroma * chroma_0) * np.sin(np.deg2rad(turn / 2))
    chroma_mean, hue_mean = (chroma + chroma_0) / 2, (hue_0 + turn / 2) % 360
    gap = np.abs(hue_mean - 280)
    gap = np.where(gap > 180, 360 - gap, gap)
    d = d_chroma * chroma_mean * np.exp(-((gap / 30) ** 2)) / 100
    d_chroma_f = (d_chroma - d) / (1 + (20 * chroma_mean / 1000) ** 2)
    d_hue_f = (d_hue - d) / (1 + (10 * chroma_mean / 1000) ** 2)
    return np.sqrt(d_l**2 + d_chroma_f**2 + d_hue_f**2)


def grade_grey_scale(de_f: np.ndarray | float) -> np.ndarray | float:
    """Return the grey-scale grade 1 (worst) to 5 (no difference) of a difference dE_F.

    A textile scale: good for saying how a difference looks, not a limit for concrete.

    Errors of the answer: none. Source: ISO 105-A05 clause 8, read in two public implementations.
    """
    de_f = np.asarray(de_f, np.float64)
    grade = np.where(de_f <= 3.4, 5 - de_f / 1.7, 5 - np.log2(np.maximum(de_f, 1e-9) / 0.85))
    capped = np.clip(grade, 1, 5)
    return float(capped) if capped.ndim == 0 else capped


def name_half_grade(de_f: float) -> str:
    """Return the printed half grade (``5``, ``4-5`` ... ``1``) of dE_F; NaN gives a dash.

    Errors of the answer: none. Source: ISO 105-A05 table of half grades, from memory.
    """
    if not math.isfinite(de_f):
        return "–"
    return next((name for limit, name in HALF_GRADE_LIMITS if de_f < limit), "1")


def describe_tone(lab: np.ndarray, reference: np.ndarray, *, limit: float | np.ndarray = WORD_LIMIT) -> str:
    """Return in words how a tone differs from a reference: ``darker and warmer``.

    Only axes that differ by `limit` (one number, or one for each of L*, a*, b*) or more get a
    word, the strongest first; below it on all three the answer is ``no clear difference``.
    Warmer is yellower, cooler is bluer.

    Errors of the answer: words only. Source: our choice.
    """
    steps = np.asarray(lab, np.float64) - np.asarray(reference, np.float64)
    if not np.isfinite(steps).all():
        return "not known"
    names = (("lighter", "darker"), ("redder", "greener"), ("warmer", "cooler"))
    limits = np.broadcast_to(limit, 3)
    spoken = [axis for axis in np.argsort(-np.abs(steps)) if abs(steps[axis]) >= limits[axis]]
    return " and ".join(names[axis][int(steps[axis] < 0)] for axis in spoken) or "no clear difference"


def _hue_deg(lab: np.ndarray) -> np.ndarray:
    return np.degrees(np.arctan2(lab[..., 2], lab[..., 1])) % 360
