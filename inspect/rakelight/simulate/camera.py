"""Camera above a made-up slab: from light on the slab to the pixels of a JPEG.

Catalogue: `Camera` (place, lens, sensor and what the camera makes of it), `aim_camera` (a camera
that knows the slab), `photograph`. Pixel centres are integers; `project` is exact.
"""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np

from ..core.checks import check_number, check_positive
from ..core.errors import SettingsError

if TYPE_CHECKING:
    from .slab import Slab


@dataclass(frozen=True, slots=True)
class Camera:
    """A camera, straight above the slab unless it is tilted, turned or moved.

    With no tilt, turn, lens bend or own size, the photo keeps the slab's grid pixel by pixel.

    Parameters
    ----------
    slab_size_mm, slab_mm_per_px : the slab looked at; filled in by `aim_camera`.
    size_px : width, height of the photo; None is just the slab, straight from above.
    mm_per_px : size of a pixel on the slab where the camera aims; None is the slab's own.
    aim_mm : slab place in the middle of the photo; None is the slab's middle.
    tilt_deg : angle between the line of sight and the slab's normal, 0 to 70.
    tilt_from_deg : side the camera stands on, clockwise from up (180 = at the bottom edge).
    turn_deg : how far the slab appears turned clockwise in the photo (the camera rolled the other way).
    distance_mm : from the lens to the place aimed at; sets how strong the perspective is.
    k1 : radial bend of the lens per (half diagonal)^2, below 0 barrel.
    vignetting : loss of light in the corners, share, 0 to .8.
    defocus_px : Gaussian blur of lens and focus, pixels. motion_px, motion_deg : straight smear,
        its direction from the picture's right (0) towards its bottom (90).
    exposure : factor on the light; None sets the bright part of the photo to `exposure_aim`.
    white_balance : factors on red, green and blue after exposure.
    read_noise : share of full scale. full_well : electrons at full scale, sets shot noise.
    sharpening : 0 none, .5 like a phone, 1 strong.
    jpeg_quality : 1 to 100, None leaves the pixels unpacked.
    floor_tone : light from what lies around the slab, 1 = white paper in full light.
    slab_thickness_mm : how much of the slab's front edge a tilted camera sees.
    """

    slab_size_mm: tuple[float, float] | None = None
    slab_mm_per_px: float | None = None
    size_px: tuple[int, int] | None = None
    mm_per_px: float | None = None
    aim_mm: tuple[float, float] | None = None
    tilt_deg: float = 0.0
    tilt_from_deg: float = 180.0
    turn_deg: float = 0.0
    distance_mm: float = 900.0
    k1: float = 0.0
    vignetting: float = 0.12
    defocus_px: float = 0.7
    motion_px: float = 0.0
    motion_deg: float = 0.0
    exposure: float | None = None
    exposure_aim: float = 0.42
    white_balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    read_noise: float = 0.0006
    full_well: float = 8000.0
    sharpening: float = 0.3
    jpeg_quality: int | None = 92
    floor_tone: float = 0.05
    slab_thickness_mm: float = 40.0

    def __post_init__(self) -> None:
        check_number(self.tilt_deg, "camera tilt", low=0, high=70)
        check_number(self.vignetting, "vignetting", low=0, high=0.8)
        check_number(self.k1, "k1", low=-0.3, high=0.3)
        check_positive(self.distance_mm, "camera distance")

    @property
    def keeps_grid(self) -> bool:
        """Return whether the photo is the slab's own grid, pixel by pixel."""
        is_square = self.tilt_deg == 0 and self.turn_deg == 0 and self.k1 == 0
        same = self.mm_per_px is None or self.mm_per_px == self.slab_mm_per_px
        return is_square and same and self.size_px is None and self.aim_mm is None

    @property
    def photo_size_px(self) -> tuple[int, int]:
        """Return width and height of the photo in pixels."""
        self._check_aimed()
        if self.size_px is not None:
            return self.size_px
        scale = self.mm_per_px or self.slab_mm_per_px
        return round(self.slab_size_mm[0] / scale), round(self.slab_size_mm[1] / scale)

    @property
    def homography(self) -> np.ndarray:
        """Return the 3 x 3 map from slab mm to photo pixels, without the lens bend."""
        self._check_aimed()
        width, height = self.photo_size_px
        scale = self.mm_per_px or self.slab_mm_per_px
        focal = self.distance_mm / scale
        aim_x, aim_y = self.aim_mm or (self.slab_size_mm[0] / 2, self.slab_size_mm[1] / 2)
        turn = _turn_camera(self.tilt_deg, self.tilt_from_deg, self.turn_deg)
        lens = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1.0]])
        shift = -aim_x * turn[:, 0] - aim_y * turn[:, 1] + np.array([0, 0, self.distance_mm])
        return lens @ np.column_stack([turn[:, 0], turn[:, 1], shift])

    def project(self, points_mm: np.ndarray) -> np.ndarray:
        """Return the photo pixels (n, 2) as x, y of slab places (n, 2) in mm; exact, may lie outside."""
        points = np.atleast_2d(np.asarray(points_mm, np.float64))
        flat = np.column_stack([points, np.ones(len(points))]) @ self.homography.T
        return self._bend(flat[:, :2] / flat[:, 2:])

    def find_corners(self) -> np.ndarray:
        """Return the photo pixels (4, 2) of the plan's top-left, top-right, bottom-right, bottom-left."""
        self._check_aimed()
        width, height = self.slab_size_mm
        return self.project(np.array([[0, 0], [width, 0], [width, height], [0, height]], float))

    def _bend(self, points_px: np.ndarray) -> np.ndarray:
        if self.k1 == 0:
            return points_px
        middle = (np.array(self.photo_size_px) - 1) / 2
        away = points_px - middle
        share = np.sum(np.square(away / np.hypot(*middle)), axis=1, keepdims=True)
        return middle + away * (1 + self.k1 * share)

    def _check_aimed(self) -> None:
        if self.slab_size_mm is None or self.slab_mm_per_px is None:
            raise SettingsError("Aim the camera at a slab first, with aim_camera(slab, ...).")


def aim_camera(slab: "Slab", camera: Camera | None = None, **changes) -> Camera:
    """Return a camera that knows the slab's size and grid, with any of its fields changed.

    Errors of the answer: none. Source: not needed.
    """
    return replace(
        camera or Camera(),
        slab_size_mm=slab.size_mm,
        slab_mm_per_px=slab.mm_per_px,
        **changes,
    )


def photograph(radiance: np.ndarray, camera: Camera, *, seed: int) -> np.ndarray:
    """Return the photo a camera takes of a lit slab.

    Parameters
    ----------
    radiance : float32 (rows, cols, 3), linear, from `light_slab` or `soft_light`.
    camera : from `aim_camera`.
    seed : chance of noise and floor; the same seed gives the same photo.

    Returns
    -------
    uint8 (rows, cols, 3), RGB.

    Errors of the answer
    --------------------
    Blur is applied once on the photo's grid, so slab relief finer than a photo pixel may alias
    when the slab's own grid is much finer than the photo's (it is averaged down first).

    Source
    ------
    Pinhole camera; sRGB transfer curve of IEC 61966-2-1, 1999 (from memory); noise: Poisson
    arrivals as a normal of the same variance plus a constant part.
    """
    rng = np.random.default_rng([seed, 77])
    picture, seen = _take_view(radiance, camera, rng)
    picture = _blur(picture, camera)
    picture = _expose(picture, camera, seen)
    picture = _add_noise(picture, camera, rng)
    picture = encode_srgb(picture)
    picture = _sharpen(picture, camera.sharpening)
    pixels = np.clip(picture * 255 + 0.5, 0, 255).astype(np.uint8)
    return _pack_jpeg(pixels, camera.jpeg_quality)


def encode_srgb(linear: np.ndarray) -> np.ndarray:
    """Return linear light 0-1 as sRGB 0-1, clipped.

    Errors of the answer: table of 4096 steps, below half a grey level of 255 above black.
    Source: IEC 61966-2-1, 1999 (from memory).
    """
    steps = np.linspace(0, 1, 4096)
    curve = np.where(steps <= 0.0031308, 12.92 * steps, 1.055 * steps ** (1 / 2.4) - 0.055)
    # The root of the light spreads the table's steps to where the curve bends most.
    table = np.interp(np.square(steps), steps, curve).astype(np.float32)
    place = np.sqrt(np.clip(linear, 0, 1)) * np.float32(4095) + np.float32(0.5)
    return np.take(table, place.astype(np.uint16))


def _turn_camera(tilt_deg: float, from_deg: float, turn_deg: float) -> np.ndarray:
    """Return the rotation from slab axes (right, down, into the slab) to camera axes."""
    side, tilt, roll = np.deg2rad([from_deg, tilt_deg, turn_deg])
    # The camera leans about the axis at right angles to the side it stands on.
    axis = np.array([np.cos(side), np.sin(side), 0.0])
    lean, _ = cv2.Rodrigues(axis * tilt)
    spin, _ = cv2.Rodrigues(np.array([0.0, 0.0, 1.0]) * roll)
    return spin @ lean


def _take_view(radiance: np.ndarray, camera: Camera, rng) -> tuple[np.ndarray, np.ndarray | None]:
    if camera.keeps_grid:
        return radiance.copy(), None
    radiance, grid = _average_down(radiance, camera)
    map_x, map_y = _map_photo(camera, grid)
    view = cv2.remap(radiance, map_x, map_y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    right, down = map_x + np.float32(0.5), map_y + np.float32(0.5)
    rows, cols = radiance.shape[:2]
    gap = np.minimum(np.minimum(right, cols - right), np.minimum(down, rows - down))
    seen = np.clip(gap + np.float32(0.5), 0, 1)
    floor = _draw_floor(gap.shape, gap * np.float32(grid), camera, rng)
    side = _find_edge_face(right * np.float32(grid), down * np.float32(grid), camera)
    grain = cv2.GaussianBlur(rng.standard_normal(gap.shape, dtype=np.float32), (0, 0), 2.5)
    tone = np.mean(radiance[::9, ::9], axis=(0, 1)) * np.float32(0.3)
    floor += side[:, :, None] * ((1 + grain[:, :, None]) * tone - floor)
    view *= seen[:, :, None]
    view += floor * (1 - seen)[:, :, None]
    return view, seen > 0.5


def _find_edge_face(x_mm: np.ndarray, y_mm: np.ndarray, camera: Camera) -> np.ndarray:
    """Return 1 where a line of sight that misses the slab's face meets one of its upright sides."""
    turn = _turn_camera(camera.tilt_deg, camera.tilt_from_deg, camera.turn_deg)
    aim = camera.aim_mm or (camera.slab_size_mm[0] / 2, camera.slab_size_mm[1] / 2)
    eye = np.array([*aim, 0.0]) - turn.T @ np.array([0.0, 0.0, camera.distance_mm])
    width, height = camera.slab_size_mm
    face = np.zeros(x_mm.shape, np.float32)
    sides = (
        (-x_mm, -eye[0], y_mm, height),
        (x_mm - width, eye[0] - width, y_mm, height),
        (-y_mm, -eye[1], x_mm, width),
        (y_mm - height, eye[1] - height, x_mm, width),
    )
    for beyond, stand_off, along, length in sides:
        if stand_off <= 0:
            continue
        below = beyond * np.float32(-eye[2]) / np.maximum(stand_off - beyond, 1e-3)
        inside = (along >= 0) & (along <= length) & (beyond > 0)
        face = np.maximum(face, inside & (below < camera.slab_thickness_mm))
    return face.astype(np.float32)


def _average_down(radiance: np.ndarray, camera: Camera) -> tuple[np.ndarray, float]:
    scale = camera.mm_per_px or camera.slab_mm_per_px
    step = int(scale / camera.slab_mm_per_px + 0.01)
    if step < 2:
        return radiance, camera.slab_mm_per_px
    rows, cols = radiance.shape[0] // step, radiance.shape[1] // step
    trimmed = np.ascontiguousarray(radiance[: rows * step, : cols * step])
    small = cv2.resize(trimmed, (cols, rows), interpolation=cv2.INTER_AREA)
    return small, camera.slab_mm_per_px * step


def _map_photo(camera: Camera, grid: float) -> tuple[np.ndarray, np.ndarray]:
    width, height = camera.photo_size_px
    x = np.arange(width, dtype=np.float32)[None, :] - np.float32((width - 1) / 2)
    y = np.arange(height, dtype=np.float32)[:, None] - np.float32((height - 1) / 2)
    if camera.k1 != 0:
        reach = np.float32(np.hypot(width - 1, height - 1) / 2)
        bent = np.square(x / reach) + np.square(y / reach)
        share = bent.copy()
        for _ in range(6):
            share = bent / np.square(1 + np.float32(camera.k1) * share)
        straight = 1 / (1 + np.float32(camera.k1) * share)
        x, y = x * straight, y * straight
    back = np.linalg.inv(camera.homography)
    back = back @ np.array([[1, 0, (width - 1) / 2], [0, 1, (height - 1) / 2], [0, 0, 1.0]])
    back = (back / back[2, 2]).astype(np.float32)
    depth = back[2, 0] * x + back[2, 1] * y + back[2, 2]
    slab_x = (back[0, 0] * x + back[0, 1] * y + back[0, 2]) / depth
    slab_y = (back[1, 0] * x + back[1, 1] * y + back[1, 2]) / depth
    return slab_x / np.float32(grid) - np.float32(0.5), slab_y / np.float32(grid) - np.float32(0.5)


def _draw_floor(shape: tuple[int, int], gap_mm: np.ndarray, camera: Camera, rng) -> np.ndarray:
    coarse = rng.standard_normal((shape[0] // 24 + 3, shape[1] // 24 + 3), dtype=np.float32)
    cloud = cv2.resize(cv2.GaussianBlur(coarse, (0, 0), 1.2), shape[::-1])
    tone = camera.floor_tone * (1 + 0.25 * cloud)
    # The slab's own side and shade make the floor darker close to its edge.
    tone *= 1 - 0.7 * np.exp(np.minimum(gap_mm, 0) / np.float32(18.0))
    return tone[:, :, None] * np.array([1.06, 1.0, 0.92], np.float32)


def _blur(picture: np.ndarray, camera: Camera) -> np.ndarray:
    if camera.defocus_px > 0:
        picture = cv2.GaussianBlur(
            picture, (0, 0), camera.defocus_px, borderType=cv2.BORDER_REFLECT_101
        )
    if camera.motion_px > 0.5:
        reach = int(np.ceil(camera.motion_px / 2)) + 1
        smear = np.zeros((2 * reach + 1, 2 * reach + 1), np.float32)
        angle = np.deg2rad(camera.motion_deg)
        for part in np.linspace(-0.5, 0.5, 8 * reach + 1):
            x, y = reach + part * camera.motion_px * np.array([np.cos(angle), np.sin(angle)])
            smear[int(np.round(y)), int(np.round(x))] += 1
        picture = cv2.filter2D(picture, -1, smear / smear.sum())
    return picture


def _expose(picture: np.ndarray, camera: Camera, seen: np.ndarray | None) -> np.ndarray:
    rows, cols = picture.shape[:2]
    across = np.linspace(-1, 1, cols, dtype=np.float32)
    down = np.linspace(-1, 1, rows, dtype=np.float32)
    share = (np.square(across)[None, :] * cols**2 + np.square(down)[:, None] * rows**2) / (
        rows**2 + cols**2
    )
    fall = 1 - np.float32(camera.vignetting) * np.square(share) * np.float32(0.6)
    fall = fall - np.float32(camera.vignetting * 0.4) * share
    gain = camera.exposure
    if gain is None:
        thin = picture[::7, ::7, 1]
        lit = thin if seen is None or not seen.any() else thin[seen[::7, ::7]]
        gain = camera.exposure_aim / max(float(np.quantile(lit, 0.75)), 1e-6)
    balance = np.array(camera.white_balance, np.float32) * np.float32(gain)
    picture *= fall[:, :, None]
    picture *= balance
    return picture


def _add_noise(picture: np.ndarray, camera: Camera, rng) -> np.ndarray:
    if camera.read_noise <= 0 and not np.isfinite(camera.full_well):
        return picture
    spread = np.maximum(picture, 0)
    spread /= np.float32(camera.full_well)
    spread += np.float32(camera.read_noise**2)
    np.sqrt(spread, out=spread)
    spread *= rng.standard_normal(picture.shape, dtype=np.float32)
    picture += spread
    return picture


def _sharpen(picture: np.ndarray, amount: float) -> np.ndarray:
    if amount <= 0:
        return picture
    soft = cv2.GaussianBlur(picture, (0, 0), 1.1)
    return cv2.addWeighted(picture, 1 + amount, soft, -amount, 0)


def _pack_jpeg(pixels: np.ndarray, quality: int | None) -> np.ndarray:
    if quality is None:
        return pixels
    packed = cv2.imencode(
        ".jpg", cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, int(quality)]
    )[1]
    return cv2.cvtColor(cv2.imdecode(packed, cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB)
