"""The fold-up post of the scale card: its shadow gives the lamp's side and angle.

The post is an upright corner of two walls. Its shadow on the white field is the foot of
the walls, swept away from the lamp by height / tan(angle). The whole shadow is fitted at once,
so that a soft edge, a wrinkle or a speck of dirt does not decide.

Also here: a lamp of known place from its height and distance.
"""

import itertools
import math
from dataclasses import dataclass

import cv2
import numpy as np

from ..core.checks import check_number, check_positive
from ..core.errors import LampError
from ..core.records import CardPose, FaceMap, Lamp
from .background import linear_table

_GRID_MM, _MIDDLE_STEP, _COARSE_STEP = 0.75, 2, 4
_RIM_MM = 2.0  # of the field's border left out: paper edges and print
_POST_SHARE = 0.45  # share of its height around the foot where the post itself hides the field
_ANGLES_DEG = (6.0, 8.0, 10.0, 12.0, 14.5, 17.5, 21.0, 26.0, 33.0, 43.0, 58.0)
_MIN_FIT, _MIN_CONTRAST = 0.75, 0.2
_DARKEST = 0.003  # share of the field that even the shortest shadow covers
_OTHER_DARKNESS, _OTHER_SHARE = 0.35, 0.15
_EDGE_MM = 0.9  # how soft the sharpest edge is on the grid
_LAMP_RAD, _LAMP_MAX_RAD = 0.02, 0.12  # half the angle the lamp fills: start of the search, limit
_STOP_MM, _MAX_ROUNDS = 0.05, 60
_NO_SHADOW = "The post's shadow is not seen on the white field: say the lamp's side and angle."


@dataclass(frozen=True, slots=True)
class Field:
    """The readable pixels of the white field as equal long arrays.

    darkness : 0 lit to 1 shadow; x_mm, y_mm : place on the slab; row, col : on the field's grid.
    """

    darkness: np.ndarray
    x_mm: np.ndarray
    y_mm: np.ndarray
    row: np.ndarray
    col: np.ndarray


def read_post(face: FaceMap, card: CardPose) -> Lamp:
    """Return the lamp by the shadow of the card's post: side and angle in degrees.

    Parameters
    ----------
    face : FaceMap
        The rectified face with the card in it (its `seen` mask is not used).
    card : CardPose
        Where the post's foot and the white field lie, slab mm, and how high the post is.

    Returns
    -------
    Lamp
        `basis` "post"; `figures`: `post_fit` (correlation of shadow and model, 1 is perfect),
        `post_shadow_mm`, `post_angle_sd_deg`, `post_second_shadow` (area under another shadow, as
        a share of this one), `post_tip_x_mm`, `post_tip_y_mm` (where the angle holds; with the
        lamp's height, `place_lamp` makes a near lamp of it). Without a readable shadow an unknown
        lamp with a note that says so.

    Errors of the answer
    --------------------
    On made-up cards: side within 1 degree, angle within 0.5 degree at 10 to 30 degrees. The angle
    holds where the tip of the shadow lies; a near lamp stands higher over places closer to it. A
    post that leans by 3 degrees changes a 15 degree angle by 0.2 degree; one that is cut 1 mm
    short changes it by 1.2 degrees.

    Source
    ------
    tan(angle) = height / shadow length (standard shadow geometry, read); fit: our choice.
    """
    field = _read_field(face, card)
    if field is None:
        return Lamp(notes=(_NO_SHADOW,))
    start = _search_coarsely(card, _thin_out(field, _COARSE_STEP))
    for step in (_MIDDLE_STEP, 1):
        start, fit = _refine(card, start, _thin_out(field, step))
    if fit < _MIN_FIT:
        return Lamp(notes=(_NO_SHADOW,), figures={"post_fit": fit})
    turn, shadow_mm, lamp_rad = start
    model = _draw_shadow(card, turn, shadow_mm, lamp_rad, field.x_mm, field.y_mm)
    is_other = (field.darkness > _OTHER_DARKNESS) & (model < 0.05)
    second = float(np.count_nonzero(is_other) / max(model.sum(), 1.0))
    return _report_lamp(card, turn, shadow_mm, fit=fit, second=second)


def place_lamp(
    from_deg: float,
    *,
    height_mm: float,
    distance_mm: float,
    size_mm: tuple[float, float],
    seen_from_mm: tuple[float, float] | None = None,
) -> Lamp:
    """Return a lamp of known place, from its height over the face and its distance along it.

    Parameters
    ----------
    from_deg : float
        Side the lamp stands on, degrees clockwise from up in the plan.
    height_mm : float
        Height of the lamp over the face, mm, above 0.
    distance_mm : float
        Distance along the face from the place looked from to the foot of the lamp, mm, above 0.
    size_mm : (width, height) of the face.
    seen_from_mm : (x, y), optional
        The place side and distance were taken from; the middle of the face when left out.

    Errors of the answer
    --------------------
    At 150 mm height and 600 mm distance, 10 mm of height or 45 mm of distance are 1 degree.

    Source
    ------
    Plain geometry: tan(angle) = height / distance.
    """
    from_deg = check_number(from_deg, "lamp side", error=LampError) % 360
    check_positive(height_mm, "lamp height", error=LampError)
    check_positive(distance_mm, "lamp distance", error=LampError)
    x_mm, y_mm = seen_from_mm or (size_mm[0] / 2, size_mm[1] / 2)
    turn = math.radians(from_deg)
    at_mm = x_mm + distance_mm * math.sin(turn), y_mm - distance_mm * math.cos(turn), height_mm
    angle_deg = math.degrees(math.atan2(height_mm, distance_mm))
    return Lamp(from_deg=from_deg, angle_deg=angle_deg, at_mm=at_mm, basis="said")


def _report_lamp(
    card: CardPose, turn: float, shadow_mm: float, *, fit: float, second: float
) -> Lamp:
    angle = math.atan2(card.post_height_mm, shadow_mm)
    foot = np.asarray(card.post_foot_mm, float)
    away = -np.array([math.sin(turn), -math.cos(turn)])
    tip = foot[1] + shadow_mm * away
    notes = []
    room_mm = _room_behind(card, foot, away)
    if shadow_mm > room_mm:
        limit_deg = math.degrees(math.atan2(card.post_height_mm, room_mm))
        angle = math.nan
        notes.append(
            f"The post's shadow runs off the white field: the lamp stands lower than {math.ceil(limit_deg)} "
            "degrees; how low cannot be read."
        )
    if second > _OTHER_SHARE:
        notes.append("A second shadow lies on the white field: switch the other light off.")
    # A length that is off by half a millimetre, and a post that is off by 1 % of its height.
    angle_sd = math.hypot(0.5 / shadow_mm, 0.01) * math.sin(2 * angle) / 2
    return Lamp(
        from_deg=math.degrees(turn) % 360,
        angle_deg=math.degrees(angle),
        basis="post",
        notes=tuple(notes),
        figures={
            "post_fit": fit,
            "post_shadow_mm": shadow_mm,
            "post_angle_sd_deg": math.degrees(angle_sd),
            "post_second_shadow": second,
            "post_tip_x_mm": float(tip[0]),
            "post_tip_y_mm": float(tip[1]),
        },
    )


def _room_behind(card: CardPose, foot: np.ndarray, away: np.ndarray) -> float:
    """Return how long a shadow may be (mm) to leave a third of its tip on the readable field."""
    steps = np.linspace(0, 1, 13)[:, None]
    walls = [foot[i] + (foot[i + 1] - foot[i]) * steps for i in (0, 1)]
    # A wall seen edge-on by the lamp has no tip worth reading.
    widths = [abs((foot[i + 1] - foot[i]) @ np.array([-away[1], away[0]])) for i in (0, 1)]
    start = walls[int(np.argmax(widths))] - np.asarray(card.field_mm)
    along = start @ away
    radius = card.field_radius_mm - _RIM_MM
    rooms = -along + np.sqrt(np.maximum(along**2 - (start**2).sum(axis=1) + radius**2, 0))
    return float(np.quantile(rooms, 0.67)) - _EDGE_MM


def _read_field(face: FaceMap, card: CardPose) -> Field | None:
    """Return the readable part of the white field; None when too little of it or no shadow shows."""
    radius = card.field_radius_mm - _RIM_MM
    left, top = (middle - radius for middle in card.field_mm)
    n_px = int(2 * radius / _GRID_MM)
    step_px = _GRID_MM / face.mm_per_px
    to_map = np.array(
        [
            [step_px, 0, (left + _GRID_MM / 2) / face.mm_per_px - 0.5],
            [0, step_px, (top + _GRID_MM / 2) / face.mm_per_px - 0.5],
        ]
    )
    patch = cv2.warpAffine(
        _cut_grey(face, card),
        to_map,
        (n_px, n_px),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=-1.0,
    )
    place = (np.arange(n_px) + 0.5) * _GRID_MM
    x_mm, y_mm = np.meshgrid(left + place, top + place)
    mask = np.hypot(x_mm - card.field_mm[0], y_mm - card.field_mm[1]) < radius
    mask &= _distance_to_post(card, x_mm, y_mm) > _POST_SHARE * card.post_height_mm
    mask &= patch > 0
    if np.count_nonzero(mask) < 0.2 * mask.size:
        return None
    darkness = _normalise(patch, mask)
    if darkness is None:
        return None
    row, col = np.nonzero(mask)
    return Field(darkness[mask], x_mm[mask], y_mm[mask], row, col)


def _thin_out(field: Field, step: int) -> Field:
    keep = (field.row % step == 0) & (field.col % step == 0)
    return Field(*(getattr(field, name)[keep] for name in Field.__slots__))


def _cut_grey(face: FaceMap, card: CardPose) -> np.ndarray:
    """Return the linear light of the map, smoothed to the grid, black outside the field."""
    rows, cols = face.rgb.shape[:2]
    reach = card.field_radius_mm + 2.0
    low = [max(int((m - reach) / face.mm_per_px), 0) for m in card.field_mm]
    high = [int((m + reach) / face.mm_per_px) + 2 for m in card.field_mm]
    grey = np.full((rows, cols), -1.0, np.float32)
    part = (slice(low[1], min(high[1], rows)), slice(low[0], min(high[0], cols)))
    if face.rgb[part].size:
        light = cv2.LUT(cv2.cvtColor(face.rgb[part], cv2.COLOR_RGB2GRAY), linear_table())
        sigma = 0.4 * _GRID_MM / face.mm_per_px
        grey[part] = cv2.GaussianBlur(light, (0, 0), sigma) if sigma > 0.4 else light
    return grey


def _normalise(patch: np.ndarray, mask: np.ndarray) -> np.ndarray | None:
    """Return darkness 0 (lit) to 1 (shadow) with the lamp's fall-off divided out; None if even."""
    light = np.log(np.maximum(patch, 1e-3))
    levels = light[mask]
    low, high = np.quantile(levels, [_DARKEST, 0.75])
    steps = np.linspace(-1, 1, len(patch))
    terms = np.stack(
        [np.ones_like(patch), *(np.broadcast_to(s, patch.shape) for s in (steps, steps[:, None]))],
        -1,
    )
    is_lit = mask & (light > (low + high) / 2)
    for _ in range(3):
        answer = np.linalg.lstsq(terms[is_lit], light[is_lit], rcond=None)[0]
        error = light - terms @ answer
        is_lit = mask & (error > -0.2) & (error < 0.35)
        if np.count_nonzero(is_lit) < 100:
            return None
    share = np.exp(error)
    shadow = float(np.quantile(share[mask], _DARKEST))
    if 1 - shadow < _MIN_CONTRAST:
        return None
    dark = share[mask & (share < (1 + shadow) / 2)]
    return np.clip((1 - share) / max(1 - float(np.median(dark)), 0.05), -0.2, 1.2)


def _distance_to_post(card: CardPose, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
    """Return the distance (mm) to the foot of the two walls."""
    end, corner, other = np.asarray(card.post_foot_mm, float)
    distances = []
    for start, stop in ((end, corner), (corner, other)):
        along = stop - start
        share = ((x_mm - start[0]) * along[0] + (y_mm - start[1]) * along[1]) / (along @ along)
        share = np.clip(share, 0, 1)
        distances.append(
            np.hypot(x_mm - start[0] - share * along[0], y_mm - start[1] - share * along[1])
        )
    return np.minimum(*distances)


def _draw_shadow(card, turn, shadow_mm, lamp_rad, x_mm, y_mm) -> np.ndarray:
    """Return the share of shadow (0 to 1) at each place: both walls swept away from the lamp.

    lamp_rad : half the angle the lamp fills. Its edges grow softer with the distance from the wall,
    the tip's most of all, as it is where the lamp's height shows.
    """
    sweep = -shadow_mm * np.array([math.sin(turn), -math.cos(turn)])
    ray_mm = math.hypot(shadow_mm, card.post_height_mm)
    soft_tip = _EDGE_MM + 2 * lamp_rad * ray_mm**2 / card.post_height_mm
    end, corner, other = np.asarray(card.post_foot_mm, float)
    shade = np.zeros(x_mm.shape)
    for start, stop in ((end, corner), (corner, other)):
        wall = stop - start
        area = wall[0] * sweep[1] - wall[1] * sweep[0]
        if abs(area) < 0.02 * np.hypot(*wall) * shadow_mm:
            continue  # seen edge-on by the lamp, a wall casts no shadow to speak of
        dx, dy = x_mm - start[0], y_mm - start[1]
        across = (dx * sweep[1] - dy * sweep[0]) / area  # 0 to 1 along the wall
        along = (wall[0] * dy - wall[1] * dx) / area  # 0 to 1 along the shadow
        soft_side = _EDGE_MM + 2 * lamp_rad * ray_mm * np.clip(along, 0, 1.5)
        side = np.minimum(across, 1 - across) * (abs(area) / shadow_mm) / soft_side
        tip = np.minimum(along * (shadow_mm / _EDGE_MM), (1 - along) * (shadow_mm / soft_tip))
        shade = np.maximum(shade, np.clip(0.5 + np.minimum(side, tip), 0, 1))
    return shade


def _fit_of(model: np.ndarray, darkness: np.ndarray) -> float:
    """Return the correlation of two arrays (plain sums: threads would cost more than they save)."""
    one, other = model - model.mean(), darkness - darkness.mean()
    together = np.sum(one * other)
    return float(together / max(math.sqrt(np.sum(one * one) * np.sum(other * other)), 1e-9))


def _search_coarsely(card: CardPose, field: Field) -> tuple[float, float, float]:
    """Return the best of a grid of sides and angles as (turn, shadow_mm, lamp_rad)."""
    lengths = [card.post_height_mm / math.tan(math.radians(angle)) for angle in _ANGLES_DEG]
    tries = [(turn, length) for turn in np.radians(np.arange(0, 360, 6)) for length in lengths]
    fits = [
        _fit_of(_draw_shadow(card, turn, length, _LAMP_RAD, field.x_mm, field.y_mm), field.darkness)
        for turn, length in tries
    ]
    turn, length = tries[int(np.argmax(fits))]
    return float(turn), length, _LAMP_RAD


def _refine(
    card: CardPose, start: tuple[float, float, float], field: Field
) -> tuple[tuple[float, float, float], float]:
    """Return the best (turn, shadow_mm, lamp_rad) nearby and its fit, by a shrinking search."""

    def fit_at(values) -> float:
        return _fit_of(_draw_shadow(card, *values, field.x_mm, field.y_mm), field.darkness)

    best, best_fit = np.array(start, float), fit_at(start)
    steps = np.array([math.radians(3), 0.08 * start[1], 0.01])
    for _ in range(_MAX_ROUNDS):
        is_better = False
        for axis, sign in itertools.product(range(3), (1, -1)):
            trial = best.copy()
            trial[axis] += sign * steps[axis]
            is_possible = 1 < trial[1] < 3 * card.field_radius_mm
            if not (is_possible and 0 <= trial[2] <= _LAMP_MAX_RAD):
                continue
            fit = fit_at(trial)
            if fit > best_fit:
                best, best_fit, is_better = trial, fit, True
        if not is_better:
            steps /= 2
        if steps[1] < _STOP_MM:
            break
    return (float(best[0]), float(best[1]), float(best[2])), best_fit
