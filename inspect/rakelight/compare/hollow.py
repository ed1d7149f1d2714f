"""How hollow is a place, by its light alone, whether or not a pit was listed there?

A pit's mouth is darker than the face (its shadow) and its far wall brighter than its near wall;
filler is neither, whatever its tone. Three figures of the mouth are held against those of round
caps of every depth under the same lamp. The two photos of one place then say how its depth
changed, although neither depth is known well.

| figure | meaning | a hollow has |
|---|---|---|
| mean | light in the mouth over the face around, minus 1 | less than 0 |
| slope | how much brighter the far wall is than the near wall, per diameter | more than 0 |
| dark | share of the mouth in shadow | more |

Catalogue: `read_mouths` (the figures), `weigh_depths` (log-likelihood of every depth),
`weigh_states` (open, dished, closed) and `weigh_new` (new against what only looks new).
"""

import functools
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from ..core.records import FlatPhoto, Inspection
from ..core.settings import CompareSettings
from ..light.background import flatten_light

DEPTHS = np.concatenate([[0.0], np.geomspace(0.01, 0.8, 23)])
"""Depth over diameter that is tried; 0 is flat face."""
LOG_STEP = float(np.log(DEPTHS[2] / DEPTHS[1]))
SHALLOW = 0.05
"""Below this depth over diameter a hollow is texture and no pit (our choice)."""

MOUTH_REACH = 0.4  # of the diameter: the very lip is left out, where blur mixes face and wall
AMBIENT = 0.1
BRIGHT_MAX = 2.0  # a wall in full light may be clipped in the photo
DARK_FROM, DARK_TO = -0.3, -0.6
MODEL_SD = np.array([0.08, 0.1, 0.08])
MODEL_SLOPE_SHARE = 0.15
"""How far real pits, which are no caps, lie from the model (our choice, from made-up pits)."""

BLURS = np.array([0.0, *np.geomspace(0.02, 0.64, 16)])
"""Blur over diameter, one sigma, that the model is worked out for."""
BLUR_LEAST_PX = 0.9
"""No plan is sharper than this, one sigma, whatever its edges say: lens, pixel, colour mosaic and
the laying on the plan add up to it (our choice; below it made-up pairs at three pixels to a pit
took a quarter of the open pits for sunk fills)."""
MODEL_SIDE, MODEL_STEP = 65, 0.025

SHIFTS, SHIFT_SD = np.linspace(-0.8, 0.8, 17), 0.3
"""How differently deep two lamps may make the same pit look, in log, and its spread before
anything is seen (our choice; the model's walls are smoother than real ones)."""

TONES = np.linspace(-2, 2, 9)
FACE_TONE_SD, FILLER_TONE_SD = 0.06, 0.2
STAIN_TONES = np.linspace(-0.9, 0.5, 29)
NULL_SIZES_MM = np.array([1.0, 2.0, 4.0, 8.0])
N_NULL = 400
NINETIETH = 1.2816  # standard deviations from the middle to the ninetieth per cent
SEED = 7


@dataclass(frozen=True, slots=True)
class Mouths:
    """Figures of places in one photo: (n, 3) mean, slope, dark, and their grain noise (n, 3).

    lamp_angle_deg : (n,). blur_share : (n,) blur of the photo, one sigma, over the diameter.
    """

    figures: np.ndarray
    noise: np.ndarray
    lamp_angle_deg: np.ndarray
    blur_share: np.ndarray

    @property
    def is_known(self) -> np.ndarray:
        """Where picture and lamp are known (n,)."""
        return np.isfinite(self.figures).all(axis=1) & np.isfinite(self.lamp_angle_deg)

    def take(self, rows: slice | np.ndarray) -> "Mouths":
        """Return the chosen places."""
        names = ("figures", "noise", "lamp_angle_deg", "blur_share")
        return Mouths(*(getattr(self, name)[rows] for name in names))


def read_mouths(
    inspection: Inspection, x_mm: np.ndarray, y_mm: np.ndarray, diameter_mm: np.ndarray
) -> Mouths:
    """Return the light in the mouths at places of one survey; NaN without picture or lamp side.

    Parameters
    ----------
    x_mm, y_mm, diameter_mm : (n,) mm, on the survey's own plan.

    Errors of the answer
    --------------------
    `noise` is the spread of the same figures at 400 random places of the face, pits among them.

    Source
    ------
    Our choice.
    """
    from_deg, angle_deg = inspection.lamp.at_pit(x_mm, y_mm)
    if not inspection.face.rgb.size or not inspection.face.seen.size or not len(x_mm):
        nothing = np.full((len(x_mm), 3), np.nan)
        return Mouths(nothing, nothing, angle_deg, nothing[:, 0])
    flat = flatten_light(inspection.face)
    figures = _sum_mouths(flat, x_mm, y_mm, diameter_mm, from_deg)
    read_mm = float(np.nan_to_num(inspection.quality.blur_sigma_px)) * inspection.scale.mm_per_px
    blur_mm = max(read_mm, BLUR_LEAST_PX * flat.mm_per_px)
    noise = _find_noise(inspection, flat, diameter_mm)
    return Mouths(figures, noise, angle_deg, blur_mm / np.asarray(diameter_mm, float))


def weigh_depths(mouths: Mouths, *, tone_sd: float) -> np.ndarray:
    """Return the log-likelihood (n, len(DEPTHS)) of each depth; 0 throughout where nothing is known.

    A cap that spans few pixels, or lies in a blurred photo, shows less shade and less light on its
    walls: it is held against caps seen as coarsely. tone_sd : how much the tone inside the mouth
    may differ from the face, as a share.
    """
    weight = np.zeros((len(mouths.figures), len(DEPTHS)))
    for rows, model in _list_models(mouths):
        weight[rows] = _weigh(mouths.figures[rows], mouths.noise[rows], model, tone_sd)
    return weight


def _list_models(mouths: Mouths) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Rows that share lamp angle and blur, with the model of such caps."""
    angles = np.clip(np.rint(np.nan_to_num(mouths.lamp_angle_deg)), 3, 75).astype(int)
    blurs = nearest_blur(mouths.blur_share)
    for angle, blur in np.unique(np.column_stack([angles, blurs])[mouths.is_known], axis=0):
        rows = np.flatnonzero(mouths.is_known & (angles == angle) & (blurs == blur))
        yield rows, model_cap(int(angle), int(blur))


def nearest_blur(blur_share: np.ndarray) -> np.ndarray:
    """Return the index in BLURS that is nearest to a blur over diameter; unknown counts as none."""
    halfway = np.sqrt(BLURS[1:-1] * BLURS[2:])
    return np.searchsorted([BLURS[1] / 2, *halfway], np.nan_to_num(blur_share))


def weigh_states(
    before: Mouths, after: Mouths, *, settings: CompareSettings, is_listed: np.ndarray | None = None
) -> np.ndarray:
    """Return the log-evidence (n, 3) that a pit is now open, dished, closed.

    Where a photo or lamp is unknown all three are 0: nothing is said. `is_listed` (n,) : pits
    that both surveys list; how two lamps differ in making pits look deep is learned from them.
    """
    known = before.is_known & after.is_known
    was = weigh_depths(before, tone_sd=FACE_TONE_SD)[:, 1:]
    now = weigh_depths(after, tone_sd=FILLER_TONE_SD)
    rows = known if is_listed is None else known & is_listed
    shift = _learn_shift(was[rows], now[rows], settings)
    evidence = np.column_stack(
        [*_weigh_hollows(was, now, shift, settings), _log_mean(was) + now[:, 0]]
    )
    evidence[~known] = 0
    return evidence


def _weigh_hollows(
    was, now, shift: float, settings: CompareSettings
) -> tuple[np.ndarray, np.ndarray]:
    """Log-evidence (n,) of an unchanged depth and of a sunk fill, depths looking exp(shift) as deep."""
    still = _log_mean(was + _at_share(now, np.exp(shift)))
    shares = _dish_shares(settings) * np.exp(shift)
    return still, _log_mean(
        np.stack([_log_mean(was + _at_share(now, share)) for share in shares], axis=1)
    )


def _learn_shift(was: np.ndarray, now: np.ndarray, settings: CompareSettings) -> float:
    """How much deeper, in log, pits look in the later photo than in the earlier, most being unchanged."""
    if not len(was):
        return 0.0
    mix = np.log([1 - settings.dish_share, settings.dish_share])[:, None]
    fits = []
    for shift in SHIFTS:
        both = np.stack(_weigh_hollows(was, now, shift, settings)) + mix
        fits.append(np.sum(np.logaddexp.reduce(both, axis=0)) - 0.5 * (shift / SHIFT_SD) ** 2)
    return float(SHIFTS[int(np.argmax(fits))])


def weigh_new(before: Mouths, after: Mouths) -> np.ndarray:
    """Return the log-evidence (n, 3) that a later pit is new, was there before, or is no pit at all.

    New: flat face before and a hollow now. There before: as hollow as now. No pit: no deeper than
    texture both times, or a mark without depth. Where a photo or lamp is unknown all three are 0.
    """
    was, now = weigh_depths(before, tone_sd=FACE_TONE_SD), weigh_depths(after, tone_sd=FACE_TONE_SD)
    deep = DEPTHS >= SHALLOW
    new = was[:, 0] + _log_mean(now[:, deep])
    old = _log_mean(was[:, deep] + now[:, deep])
    texture = _log_mean(was[:, ~deep]) + _log_mean(now[:, ~deep])
    mark = np.maximum(was[:, 0], _weigh_stain(before)) + _weigh_stain(after)
    evidence = np.column_stack([new, old, _log_mean(np.column_stack([texture, mark]))])
    evidence[~(before.is_known & after.is_known)] = 0
    return evidence


@functools.lru_cache(maxsize=4096)
def model_cap(lamp_angle_deg: int, blur: int = 0) -> np.ndarray:
    """Return mean, slope and dark (len(DEPTHS), 3) of round caps under a lamp at this angle.

    A point of a cap is lit when the ray toward the lamp leaves through the mouth; its light over
    flat face is the cosine to the lamp over the sine of the lamp's angle. blur : index in BLURS.

    Source: Lambert's law and plain geometry.
    """
    grid = (np.arange(MODEL_SIDE) - MODEL_SIDE // 2) * MODEL_STEP
    toward, across = np.meshgrid(grid, grid)
    inside = toward**2 + across**2 <= MOUTH_REACH**2
    rows = [np.zeros(3)]
    for depth in DEPTHS[1:]:
        light = _light_cap(depth, toward, across, np.radians(lamp_angle_deg))
        if blur:
            light = cv2.GaussianBlur(light, (0, 0), BLURS[blur] / MODEL_STEP)
        relief = np.clip((1 - AMBIENT) * light + AMBIENT - 1, -1, BRIGHT_MAX)
        rows.append(_summarise(relief[inside][None], toward[inside][None])[0])
    return np.array(rows)


def _light_cap(depth: float, toward: np.ndarray, across: np.ndarray, lamp: float) -> np.ndarray:
    """Light over flat face at places of a cap one diameter wide, and 1 around it."""
    lift = (0.25 - depth**2) / (2 * depth)
    radius = depth + lift
    down = np.sqrt(np.maximum(radius**2 - toward**2 - across**2, 0))
    facing = (-toward * np.cos(lamp) + down * np.sin(lamp)) / radius
    leaves = (toward + np.maximum(down - lift, 0) / np.tan(lamp)) ** 2 + across**2 <= 0.25
    inside = np.where(leaves & (facing > 0), facing / np.sin(lamp), 0.0)
    return np.where(toward**2 + across**2 <= 0.25, inside, 1.0)


def _summarise(relief: np.ndarray, toward: np.ndarray) -> np.ndarray:
    """mean, slope and dark of samples (n, m) at places `toward` the lamp, in diameters."""
    slope = -np.sum(relief * toward, axis=1) / np.sum(toward**2, axis=1)
    dark = np.clip((DARK_FROM - relief) / (DARK_FROM - DARK_TO), 0, 1)
    return np.column_stack([relief.mean(axis=1), slope, dark.mean(axis=1)])


def _sum_mouths(flat: FlatPhoto, x_mm, y_mm, diameter_mm, from_deg) -> np.ndarray:
    grid = np.linspace(-MOUTH_REACH, MOUTH_REACH, 13)
    right, down = (part.ravel() for part in np.meshgrid(grid, grid))
    inside = right**2 + down**2 <= MOUTH_REACH**2
    right, down = right[inside], down[inside]
    size_mm = np.asarray(diameter_mm, float)[:, None]
    col = (np.asarray(x_mm)[:, None] + size_mm * right) / flat.mm_per_px - 0.5
    row = (np.asarray(y_mm)[:, None] + size_mm * down) / flat.mm_per_px - 0.5
    relief = np.empty(col.shape, np.float32)
    for start in range(0, len(col), 16384):  # cv2.remap takes no more than 32767 rows
        part = slice(start, start + 16384)
        relief[part] = cv2.remap(
            flat.relief, col[part].astype(np.float32), row[part].astype(np.float32),
            cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE,
        )  # fmt: skip
    side = np.radians(np.asarray(from_deg, float))[:, None]
    toward = right * np.sin(side) - down * np.cos(side)
    return _summarise(np.clip(relief, -1, BRIGHT_MAX), toward)


def _find_noise(inspection: Inspection, flat: FlatPhoto, diameter_mm: np.ndarray) -> np.ndarray:
    """Spread of the figures on plain face, for each diameter (n, 3)."""
    rng = np.random.default_rng(SEED)
    rows, cols = np.nonzero(inspection.face.seen[::8, ::8])
    if not len(rows):
        return np.full((len(diameter_mm), 3), np.nan)
    pick = rng.integers(0, len(rows), N_NULL)
    x_mm, y_mm = (8 * cols[pick] + 0.5) * flat.mm_per_px, (8 * rows[pick] + 0.5) * flat.mm_per_px
    from_deg, _ = inspection.lamp.at_pit(x_mm, y_mm)
    spreads = []
    for size_mm in NULL_SIZES_MM:
        figures = _sum_mouths(flat, x_mm, y_mm, np.full(N_NULL, size_mm), from_deg)
        low, middle, high = np.quantile(figures, [0.1, 0.5, 0.9], axis=0)
        # Shade is rare on plain face: its spread shows on one side only.
        spreads.append(np.maximum(high - middle, middle - low) / NINETIETH)
    place = np.log(np.maximum(diameter_mm, 0.1))
    return np.column_stack(
        [np.interp(place, np.log(NULL_SIZES_MM), s) for s in np.transpose(spreads)]
    )


def _weigh(figures: np.ndarray, noise: np.ndarray, model: np.ndarray, tone_sd: float) -> np.ndarray:
    """Log-likelihood (n, depths), the unknown tone in the mouth summed over."""
    tone = 1 + TONES[:, None] * tone_sd
    mean = (1 + model[None, :, 0]) * tone - 1
    # What is not shade may be dark by its own tone.
    tinted = np.clip((DARK_FROM - (tone - 1)) / (DARK_FROM - DARK_TO), 0, 1)
    dark = model[None, :, 2] + (1 - model[None, :, 2]) * tinted
    shaped = np.stack([mean, model[None, :, 1] * tone, dark], -1)
    spread = np.sqrt(
        noise[:, None, :] ** 2
        + MODEL_SD**2
        + (np.array([0, MODEL_SLOPE_SHARE, 0]) * model[None]) ** 2
    )
    miss = (figures[:, None, None, :] - shaped[None]) / spread[:, None]
    fit = -0.5 * np.sum(miss**2, axis=-1) - 0.5 * TONES[None, :, None] ** 2
    return _log_mean(fit, axis=1) - np.sum(np.log(spread), axis=-1)


def _weigh_stain(mouths: Mouths) -> np.ndarray:
    """Log-likelihood (n,) of a mark of any tone without depth."""
    dark = np.clip((DARK_FROM - STAIN_TONES) / (DARK_FROM - DARK_TO), 0, 1)
    model = np.column_stack([STAIN_TONES, np.zeros_like(dark), dark])
    spread = np.sqrt(np.nan_to_num(mouths.noise)[:, None, :] ** 2 + MODEL_SD**2)
    miss = (np.nan_to_num(mouths.figures)[:, None, :] - model) / spread
    return _log_mean(-0.5 * np.sum(miss**2, axis=-1) - np.sum(np.log(spread), axis=-1))


def _dish_shares(settings: CompareSettings) -> np.ndarray:
    """Depths of a sunk fill over the depth before that are tried, around the typical one."""
    return settings.dish_depth_share * np.geomspace(0.5, 2.0, 7)


def _at_share(weight: np.ndarray, share: float) -> np.ndarray:
    """The weight of `share` times each depth above 0 (n, depths - 1)."""
    place = np.arange(1, len(DEPTHS)) + np.log(share) / LOG_STEP
    place = np.clip(place, 0, len(DEPTHS) - 1)
    low = np.floor(place).astype(int)
    part = place - low
    high = np.minimum(low + 1, len(DEPTHS) - 1)
    return weight[:, low] * (1 - part) + weight[:, high] * part


def _log_mean(weight: np.ndarray, axis: int = 1) -> np.ndarray:
    return np.logaddexp.reduce(weight, axis=axis) - np.log(weight.shape[axis])
