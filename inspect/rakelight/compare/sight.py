"""Could the other photo have shown a pit at this place at all?

Catalogue: `find_chance` (chance to be found by size alone), `is_photo_blind` (whether the photo shows
nothing to be relied on, whatever the size), `hides_rake` (whether its light may come from the front),
`judge_sight` (size, lamp, pure white or black, coverage
and the verdict on the photo, with the word for what stood in the way). Higher is better: 1 = it
would certainly have been listed, 0 = it could not.
"""

from dataclasses import dataclass

import numpy as np

from ..core.records import FaceMap, Inspection, Lamp, Quality
from ..core.settings import CompareSettings

REASONS = ("", "size", "lamp", "clipped", "coverage", "photo")
"""Why a photo could not show a place; empty when it could. Worded in `REASON_TEXT`."""

REASON_TEXT = {
    "size": "smaller than the photo can be trusted to show",
    "coverage": "outside what the photo covers",
    "clipped": "in pure white or pure black",
    "lamp": "too shallow for a lamp that stood this high",
    "photo": "in a photo that should be taken again",
}

COVER_SHARE_MIN = 0.9
CLIPPED_SHARE_MAX = 0.5
CLIPPED_LOW, CLIPPED_HIGH = 3, 252
COMPLAINTS_OF_SIZE = frozenset({"complaint_too_coarse"})
"""Entries of `Quality.checks` that ask for a new photo only because of the smallest pit agreed on."""
FRONTAL = "complaint_frontal"
LAMP_UNMEASURED = Lamp()
RETAKE_LEVEL = 2.0
"""What an entry of `Quality.checks` holds when its complaint alone asks for a new photo."""
LAMP_CONTRAST_MIN = 0.3
"""Least brightness of a pit's lit wall over flat face, as a share of it (our choice; grain of a
trowelled face reaches .1 to .3 under a lamp at 10 degrees)."""
SURE_SDS = 1.0
"""Standard deviations of its diameter by which a pit must pass the smallest countable size (our
choice: of made-up pits below it 2 in 339 are then called closed, without it 19)."""
RING = np.array([(0.0, 0.0), *((np.cos(a), np.sin(a)) for a in np.arange(12) * np.pi / 6)])


@dataclass(frozen=True, slots=True)
class Sight:
    """chance : that an open pit here would have been listed (n,). reason : a word of REASONS (n,)."""

    chance: np.ndarray
    reason: np.ndarray

    @property
    def is_blind(self) -> np.ndarray:
        """Where the photo could not show it (n,)."""
        return self.reason != ""


def smallest_trusted_mm(inspection: Inspection) -> float:
    """Return the diameter in mm below which this survey lists no pit, or none that is counted."""
    find = inspection.settings.get("find", {})
    asked_mm = float(find.get("smallest_mm", np.nan))
    sizes = [s for s in (asked_mm, inspection.quality.smallest_countable_mm) if np.isfinite(s)]
    return max(sizes, default=0.0)


def hides_rake(quality: Quality, lamp: Lamp = LAMP_UNMEASURED) -> bool:
    """Return whether a photo leaves open that its light rakes at all.

    Where neither pits nor grain stand out the face is mended or the light comes from the front,
    and the photo alone does not say which: it is trusted only when a post's shadow shows the lamp.

    Source: our choice. On made-up pairs with the later lamp at 50 to 65 degrees, said to stand
    at 15, one open pit in four was called closed without it.
    """
    return 0 < quality.checks.get(FRONTAL, 0.0) < RETAKE_LEVEL and lamp.basis != "post"


def is_photo_blind(quality: Quality, lamp: Lamp = LAMP_UNMEASURED) -> bool:
    """Return whether pits of every size may be missing from a photo, so that none is called closed.

    A photo that is only too coarse for the smallest pit agreed on still shows larger ones: its
    smallest countable size, which holds the size of a pixel, says which. Blur, shake, flash, light
    from the front and burnt-out faces spoil all sizes, as does a verdict without its reasons.

    Source: our choice. Light is judged in a coarse photo as in any other, but not in a blurred one.
    """
    if hides_rake(quality, lamp):
        return True
    if quality.verdict != "retake":
        return False
    causes = {
        name
        for name, level in quality.checks.items()
        if name.startswith("complaint_") and level >= RETAKE_LEVEL
    }
    return not causes or not causes <= COMPLAINTS_OF_SIZE or not quality.smallest_countable_mm > 0


def find_chance(
    diameter_mm: np.ndarray, smallest_mm: float, *, settings: CompareSettings | None = None
) -> np.ndarray:
    """Return the chance (n,) that an open pit of this diameter is found, by size alone.

    `smallest_mm` is the smallest countable diameter; 0 means that size is no hindrance.

    Errors of the answer
    --------------------
    One curve for all photos; the true slope depends on grain, blur and lamp.

    Source
    ------
    Logistic curve on the logarithm of size, as in hit/miss probability-of-detection practice
    (standards sheet 3.2, read); slope: our choice.
    """
    settings = settings or CompareSettings()
    diameter_mm = np.asarray(diameter_mm, float)
    top = settings.detection_at_smallest
    if not smallest_mm > 0:
        return np.full(diameter_mm.shape, 1.0)
    lift = settings.detection_slope * np.log(np.maximum(diameter_mm, 1e-9) / smallest_mm)
    return 1 / (1 + (1 - top) / top * np.exp(-lift))


def judge_sight(
    inspection: Inspection,
    x_mm: np.ndarray,
    y_mm: np.ndarray,
    *,
    diameter_mm: np.ndarray,
    diameter_sd_mm: np.ndarray | float = 0.0,
    depth_share: np.ndarray | None = None,
    settings: CompareSettings | None = None,
) -> Sight:
    """Return whether this survey could show open pits at places on its own plan.

    Parameters
    ----------
    x_mm, y_mm, diameter_mm : (n,) mm.
    diameter_sd_mm : (n,) mm, optional
        A pit counts as above the photo's smallest countable size when it is so by this much.
    depth_share : (n,), optional
        Least depth over diameter as known from the other survey; NaN = not known.

    Returns
    -------
    Sight, with the strongest reason where several hold (the last of REASONS that applies).
    """
    settings = settings or CompareSettings()
    smallest_mm = smallest_trusted_mm(inspection)
    chance = find_chance(diameter_mm, smallest_mm, settings=settings)
    surely_mm = diameter_mm - SURE_SDS * np.nan_to_num(diameter_sd_mm)
    is_small = (diameter_mm < smallest_mm) | (surely_mm < inspection.quality.smallest_countable_mm)
    reason = np.where(is_small, "size", "").astype(object)
    reason[_is_lamp_too_high(inspection.lamp, x_mm, y_mm, depth_share)] = "lamp"
    reason[_is_clipped(inspection.face, x_mm, y_mm, diameter_mm)] = "clipped"
    reason[~_is_covered(inspection, x_mm, y_mm, diameter_mm)] = "coverage"
    if is_photo_blind(inspection.quality, inspection.lamp):
        reason[:] = "photo"
    chance = np.where(np.isin(reason, ("clipped", "coverage")), 0.0, chance)
    chance = np.where(np.isin(reason, ("lamp", "photo")), 0.5 * chance, chance)
    return Sight(chance, reason.astype(str))


def _is_covered(inspection, x_mm, y_mm, diameter_mm) -> np.ndarray:
    face = inspection.face
    if face.seen.size == 0:
        width_mm, height_mm = inspection.scale.size_mm
        return (x_mm >= 0) & (y_mm >= 0) & (x_mm <= width_mm) & (y_mm <= height_mm)
    return _share_around(face.seen, face, x_mm, y_mm, diameter_mm) >= COVER_SHARE_MIN


def _is_clipped(face: FaceMap, x_mm, y_mm, diameter_mm) -> np.ndarray:
    """Mostly pure white, or mostly pure black for more than the pit's own shadow."""
    if face.rgb.size == 0:
        return np.zeros(len(x_mm), bool)
    around = _pixels_around(face.rgb, face, x_mm, y_mm, 2.5 * np.asarray(diameter_mm))
    white = np.mean(np.all(around >= CLIPPED_HIGH, axis=2), axis=1)
    black = np.mean(np.all(around <= CLIPPED_LOW, axis=2), axis=1)
    return np.maximum(white, black) > CLIPPED_SHARE_MAX


def _is_lamp_too_high(lamp: Lamp, x_mm, y_mm, depth_share) -> np.ndarray:
    """Whether a cap this shallow would hardly stand out from flat face under this lamp.

    A slope s facing the lamp is brighter than flat face by s / tan(lamp angle), and a cap's
    steepest slope is about four times its depth over its diameter.
    """
    if depth_share is None:
        return np.zeros(len(x_mm), bool)
    _, angle_deg = lamp.at_pit(x_mm, y_mm)
    contrast = 4 * np.asarray(depth_share, float) / np.tan(np.radians(angle_deg))
    return np.isfinite(contrast) & (contrast < LAMP_CONTRAST_MIN)


def _share_around(mask, face, x_mm, y_mm, diameter_mm) -> np.ndarray:
    return np.mean(_pixels_around(mask, face, x_mm, y_mm, diameter_mm), axis=1)


def _pixels_around(picture, face, x_mm, y_mm, diameter_mm) -> np.ndarray:
    """Pixels at the middle and on a ring of the given diameter, (n, 13, ...); outside is zero."""
    radius_mm = np.maximum(np.asarray(diameter_mm, float) / 2, face.mm_per_px)[:, None]
    col = np.rint(
        (np.asarray(x_mm)[:, None] + RING[:, 0] * radius_mm) / face.mm_per_px - 0.5
    ).astype(int)
    row = np.rint(
        (np.asarray(y_mm)[:, None] + RING[:, 1] * radius_mm) / face.mm_per_px - 0.5
    ).astype(int)
    inside = (row >= 0) & (col >= 0) & (row < picture.shape[0]) & (col < picture.shape[1])
    found = picture[np.where(inside, row, 0), np.where(inside, col, 0)]
    found = found.copy()
    found[~inside] = 0
    return found
