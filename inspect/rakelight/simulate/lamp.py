"""Lamp light on a made-up slab: raking light with cast shadows, and soft light for colour.

Catalogue: `light_slab` (one lamp, far or near) and `light_softly` (`soft_light`, the diffuse
photo). The face that is flat and fully lit has an irradiance of 1, whatever the lamp angle, so
exposure does not change with the lamp; a near lamp gives 1 at the slab's middle.

Shadows cost the same for every pixel count: the height is turned so that the light runs along
the rows, and a running maximum of height + distance x tan(angle) tells what stands in the light.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from ..core.checks import check_number
from ..core.errors import LampError

if TYPE_CHECKING:
    from .slab import Slab


@dataclass(frozen=True, slots=True)
class Lamp:
    """A lamp, far away (`from_deg`, `angle_deg`) or at a known place (`x_mm, y_mm, height_mm`).

    Parameters
    ----------
    from_deg : side the light comes from, degrees clockwise from up in the plan, 0 to 360.
    angle_deg : elevation above the face, degrees, above 0 to 90.
    x_mm, y_mm, height_mm : place of a near lamp in slab mm; all three or none.
    spread_deg : half the angle the lamp fills as seen from the slab; makes shadow edges soft.
    warmth : red / blue ratio of the lamp against daylight, 1 is neutral.
    """

    from_deg: float = 270.0
    angle_deg: float = 15.0
    x_mm: float | None = None
    y_mm: float | None = None
    height_mm: float | None = None
    spread_deg: float = 0.6
    warmth: float = 1.0

    def __post_init__(self) -> None:
        check_number(self.angle_deg, "lamp angle", low=0.5, high=90, error=LampError)
        check_number(self.spread_deg, "lamp spread", low=0, high=20, error=LampError)
        given = [value is not None for value in (self.x_mm, self.y_mm, self.height_mm)]
        if any(given) and not all(given):
            raise LampError("Give the near lamp's x_mm, y_mm and height_mm together.")

    @property
    def is_near(self) -> bool:
        """Return whether the lamp stands at a known place."""
        return self.height_mm is not None


def light_slab(slab: "Slab", lamp: Lamp, *, ambient: float = 0.1) -> np.ndarray:
    """Return the light a camera straight above receives from every pixel of the slab.

    Parameters
    ----------
    slab : the made-up slab.
    lamp : far or near lamp.
    ambient : share of the light that comes from everywhere, 0 to 1; .03 is a dark room.

    Returns
    -------
    float32 (rows, cols, 3), linear, 1 = white paper lying flat in full lamp light.

    Errors of the answer
    --------------------
    Shadow edges are right to about half a pixel along the light. Light bounced between the walls
    of a pit and the shade of a pit against room light are plausible, not computed.

    Source
    ------
    Lambert's cosine law; gloss after Blinn, Models of light reflection, 1977; shadow by a running
    horizon (our own statement of it); bounced light: our choice.
    """
    check_number(ambient, "ambient", low=0, high=1, error=LampError)
    toward = _point_to_lamp(slab, lamp)
    direct, normal_z = _light_directly(slab, lamp, toward)
    direct *= cast_shadow(slab.height_mm, slab.mm_per_px, lamp)
    shade = measure_openness(slab.height_mm, slab.mm_per_px)
    bounced = _blur_mm(direct, 2.5, slab.mm_per_px) * (1 - shade) * np.float32(0.35)
    room = shade * np.float32(ambient)
    light = direct * np.float32(1 - ambient) + bounced + room
    radiance = slab.albedo * light[:, :, None]
    if slab.gloss > 0:
        sheen = _shine(toward, normal_z, slab) * np.sign(direct) * np.float32(slab.gloss)
        radiance += sheen[:, :, None]
    if lamp.warmth != 1.0:
        radiance *= np.array([lamp.warmth**0.5, 1.0, lamp.warmth**-0.5], np.float32)
    return radiance


def soft_light(
    slab: "Slab",
    *,
    gradient: tuple[float, float] = (0.08, -0.05),
    colour_cast: tuple[float, float, float] = (1.0, 1.0, 1.0),
) -> np.ndarray:
    """Return the light from every pixel of the slab in open shade: colour shows, relief does not.

    Parameters
    ----------
    slab : the made-up slab.
    gradient : relative change of the light from the left to the right and from the top to the
        bottom edge; about 1 in the middle.
    colour_cast : factors on red, green and blue; (1, 1, 1) is neutral.

    Returns
    -------
    float32 (rows, cols, 3), linear, 1 = white paper in the middle of the slab.

    Errors of the answer
    --------------------
    Pits are darkened by a plausible amount, not by a computed one.

    Source
    ------
    Our choice.
    """
    rows, cols = slab.height_mm.shape
    across = np.linspace(-0.5, 0.5, cols, dtype=np.float32) * np.float32(gradient[0])
    down = np.linspace(-0.5, 0.5, rows, dtype=np.float32) * np.float32(gradient[1])
    slope_y, slope_x = measure_gradient(slab.height_mm, slab.mm_per_px)
    light = 1 + across[None, :] + down[:, None]
    light = light * measure_openness(slab.height_mm, slab.mm_per_px)
    light *= np.clip(1 + 0.10 * slope_y + 0.05 * slope_x, 0.6, 1.3)
    return slab.albedo * light[:, :, None] * np.array(colour_cast, np.float32)


def cast_shadow(height_mm: np.ndarray, mm_per_px: float, lamp: Lamp) -> np.ndarray:
    """Return the share of the lamp each pixel sees: 1 lit, 0 in cast shadow, soft between.

    Parameters
    ----------
    height_mm : (rows, cols), mm.
    mm_per_px : size of a pixel, mm.
    lamp : far or near lamp; its `spread_deg` widens the edge.

    Returns
    -------
    float32 (rows, cols), 0 to 1.

    Errors of the answer
    --------------------
    The edge is right to about half a pixel; other lamp sides than 0, 90, 180, 270 degrees smooth
    the height by one bilinear resampling first.

    Source
    ------
    Our own statement of the running horizon.
    """
    height_mm = np.asarray(height_mm, np.float32)
    if lamp.is_near:
        return _shadow_near(height_mm, mm_per_px, lamp)
    return _shadow_far(height_mm, mm_per_px, lamp)


def measure_gradient(height_mm: np.ndarray, mm_per_px: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the slope downward and to the right (pure numbers, central differences).

    Errors of the answer: steps are spread over two pixels. Source: definition.
    """
    kernel = np.array([[-0.5, 0.0, 0.5]], np.float32) / np.float32(mm_per_px)
    border = cv2.BORDER_REPLICATE
    return (
        cv2.filter2D(height_mm, cv2.CV_32F, kernel.T, borderType=border),
        cv2.filter2D(height_mm, cv2.CV_32F, kernel, borderType=border),
    )


def measure_openness(height_mm: np.ndarray, mm_per_px: float) -> np.ndarray:
    """Return how much of the room's light reaches each pixel, 1 on the open face, less in pits.

    Errors of the answer: a plausible darkening, not the true share of sky.
    Source: our choice (depth below the neighbourhood, three sizes of it).
    """
    openness = np.ones(height_mm.shape, np.float32)
    for radius_mm in (0.8, 2.5, 8.0):
        below = _blur_mm(height_mm, radius_mm, mm_per_px) - height_mm
        openness /= 1 + np.maximum(below, 0) * np.float32(0.9 / radius_mm)
    return openness


def _point_to_lamp(slab: "Slab", lamp: Lamp) -> tuple:
    """Return the unit vector to the lamp (right, down, up) and the light's strength, per pixel or once."""
    if not lamp.is_near:
        side, angle = np.deg2rad(lamp.from_deg), np.deg2rad(lamp.angle_deg)
        flat = np.cos(angle)
        return flat * np.sin(side), -flat * np.cos(side), np.sin(angle), 1 / np.sin(angle)
    rows, cols = slab.height_mm.shape
    right = lamp.x_mm - (np.arange(cols, dtype=np.float32) + 0.5)[None, :] * slab.mm_per_px
    down = lamp.y_mm - (np.arange(rows, dtype=np.float32) + 0.5)[:, None] * slab.mm_per_px
    far2 = np.square(right) + np.square(down) + np.float32(lamp.height_mm**2)
    far = np.sqrt(far2)
    middle_x, middle_y = cols * slab.mm_per_px / 2, rows * slab.mm_per_px / 2
    middle2 = (lamp.x_mm - middle_x) ** 2 + (lamp.y_mm - middle_y) ** 2 + lamp.height_mm**2
    strength = np.float32(middle2**1.5 / lamp.height_mm) / far2
    return right / far, down / far, np.float32(lamp.height_mm) / far, strength


def _light_directly(slab: "Slab", lamp: Lamp, toward: tuple) -> tuple[np.ndarray, np.ndarray]:
    right, down, up, strength = toward
    slope_y, slope_x = measure_gradient(slab.height_mm, slab.mm_per_px)
    normal_z = 1 / np.sqrt(1 + np.square(slope_x) + np.square(slope_y))
    facing = (up - slope_x * right - slope_y * down) * normal_z
    return np.asarray(np.maximum(facing, 0) * strength, np.float32), normal_z


def _shine(toward: tuple, normal_z: np.ndarray, slab: "Slab") -> np.ndarray:
    right, down, up, _ = toward
    slope_y, slope_x = measure_gradient(slab.height_mm, slab.mm_per_px)
    half = np.sqrt(np.square(right) + np.square(down) + np.square(1 + up))
    facing = ((1 + up) - slope_x * right - slope_y * down) * normal_z / half
    return np.asarray(np.power(np.maximum(facing, 0), 18), np.float32)


def _blur_mm(picture: np.ndarray, sigma_mm: float, mm_per_px: float) -> np.ndarray:
    sigma = sigma_mm / mm_per_px
    step = int(max(1, min(sigma / 2, 16)))
    small = (
        picture
        if step == 1
        else cv2.resize(picture, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA)
    )
    small = cv2.GaussianBlur(small, (0, 0), sigma / step, borderType=cv2.BORDER_REPLICATE)
    if step == 1:
        return small
    return cv2.resize(small, picture.shape[::-1], interpolation=cv2.INTER_LINEAR)


def _shadow_far(height_mm: np.ndarray, mm_per_px: float, lamp: Lamp) -> np.ndarray:
    # The light is made to run from the left to the right along the rows: from_deg 270.
    quarter = (lamp.from_deg - 270.0) / 90.0
    if abs(quarter - round(quarter)) < 1e-6:
        turns = round(quarter) % 4
        lit = _run_horizon(np.ascontiguousarray(np.rot90(height_mm, turns)), mm_per_px, lamp)
        return np.ascontiguousarray(np.rot90(lit, -turns))
    rows, cols = height_mm.shape
    side = int(np.ceil(np.hypot(rows, cols))) + 4
    turn = cv2.getRotationMatrix2D(((cols - 1) / 2, (rows - 1) / 2), lamp.from_deg - 270.0, 1.0)
    turn[0, 2] += (side - cols) / 2
    turn[1, 2] += (side - rows) / 2
    turned = cv2.warpAffine(
        height_mm, turn, (side, side), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    lit = _run_horizon(turned, mm_per_px, lamp)
    return cv2.warpAffine(
        lit, turn, (cols, rows), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderValue=1.0
    )


def _run_horizon(height_mm: np.ndarray, mm_per_px: float, lamp: Lamp) -> np.ndarray:
    lit = np.zeros(height_mm.shape, np.float32)
    angles = _spread_angles(lamp.angle_deg, lamp.spread_deg)
    for angle in angles:
        rise = mm_per_px * np.tan(np.deg2rad(angle))
        lifted = height_mm + np.arange(height_mm.shape[1], dtype=np.float32) * np.float32(rise)
        horizon = np.maximum.accumulate(lifted, axis=1)
        clearance = np.full(height_mm.shape, rise, np.float32)
        clearance[:, 1:] = lifted[:, 1:] - horizon[:, :-1]
        lit += _soften_edge(clearance / np.float32(rise))
    return lit / len(angles)


def _soften_edge(clearance_px: np.ndarray) -> np.ndarray:
    """Return 1 for lit, 0 for hidden, and the lit part of the pixel in which a shadow ends.

    `clearance_px` is how far the light passes above, in steps of the light's fall per pixel. A
    pixel lit after a lit one is wholly lit, however grazing the light: that is Lambert's matter.
    """
    lit = np.clip(clearance_px + np.float32(0.5), 0, 1)
    is_clear = clearance_px >= 0
    np.maximum(lit[:, 1:], is_clear[:, 1:] & is_clear[:, :-1], out=lit[:, 1:])
    return lit


def _spread_angles(angle_deg: float, spread_deg: float) -> list[float]:
    if spread_deg == 0:
        return [angle_deg]
    return [max(angle_deg + part * spread_deg, 0.3) for part in (-0.67, 0.0, 0.67)]


def _shadow_near(height_mm: np.ndarray, mm_per_px: float, lamp: Lamp) -> np.ndarray:
    rows, cols = height_mm.shape
    foot_col, foot_row = lamp.x_mm / mm_per_px - 0.5, lamp.y_mm / mm_per_px - 0.5
    right = np.arange(cols, dtype=np.float32)[None, :] - np.float32(foot_col)
    down = np.arange(rows, dtype=np.float32)[:, None] - np.float32(foot_row)
    # OpenCV's own polar angle is good to .3 degrees only, which is many pixels far from the lamp.
    far, turn = np.hypot(right, down), np.arctan2(down, right)
    middle = np.arctan2((rows - 1) / 2 - foot_row, (cols - 1) / 2 - foot_col)
    turn = np.mod(turn - np.float32(middle) + np.float32(np.pi), np.float32(2 * np.pi))
    start, stop = float(turn.min()), float(turn.max())
    near, end = max(float(far.min()) - 1, 0.5), float(far.max()) + 1
    n_turn = int(np.clip(np.ceil((stop - start) * end), 8, 30000)) + 2
    n_far = int(np.clip(np.ceil(end - near), 8, 30000)) + 1
    turn_step, far_step = (stop - start) / (n_turn - 1) or 1e-6, (end - near) / (n_far - 1)
    fan = np.float32(start + middle - np.pi) + np.arange(n_turn, dtype=np.float32) * turn_step
    line = np.float32(near) + np.arange(n_far, dtype=np.float32) * np.float32(far_step)
    map_col = np.float32(foot_col) + np.cos(fan)[:, None] * line
    map_row = np.float32(foot_row) + np.sin(fan)[:, None] * line
    polar = cv2.remap(
        height_mm,
        map_col.astype(np.float32),
        map_row.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    lit = _run_fan(polar, line * np.float32(mm_per_px), lamp)
    place_col = (far - np.float32(near)) / np.float32(far_step)
    place_row = (turn - np.float32(start)) / np.float32(turn_step)
    return cv2.remap(lit, place_col, place_row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def _run_fan(height_mm: np.ndarray, far_mm: np.ndarray, lamp: Lamp) -> np.ndarray:
    # Seen from the lamp, a point is hidden when something nearer is seen under a flatter line.
    middle = np.sqrt(far_mm[0] * far_mm[-1])
    lit = np.zeros(height_mm.shape, np.float32)
    angle = np.rad2deg(np.arctan2(lamp.height_mm, middle))
    angles = _spread_angles(angle, lamp.spread_deg)
    for one in angles:
        lamp_mm = np.float32(middle * np.tan(np.deg2rad(one)))
        drop = (lamp_mm - height_mm) / far_mm
        flattest = np.minimum.accumulate(drop, axis=1)
        step = lamp_mm / np.square(far_mm) * (far_mm[1] - far_mm[0])
        clearance = np.ones(height_mm.shape, np.float32)
        clearance[:, 1:] = (flattest[:, :-1] - drop[:, 1:]) / step[1:]
        lit += _soften_edge(clearance)
    return lit / len(angles)
