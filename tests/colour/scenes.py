"""Made-up soft-light photos of known tone: slab, lamp and camera, for tests and the benchmark.

The tone is painted in L*a*b*, lit by a lamp of known fall-off and taken by the simulated camera
(vignetting, warm cast, noise, sharpening, JPEG), so every answer can be held against the truth.
"""

import io
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from PIL import Image

from rakelight.colour.jpegcodes import read_jpeg_codes
from rakelight.core.records import FaceMap, Photo
from rakelight.simulate.camera import Camera, photograph

XYZ_OF_RGB = np.array(
    [[0.412453, 0.357580, 0.180423], [0.212671, 0.715160, 0.072169], [0.019334, 0.119193, 0.950227]]
)
WHITE_XYZ = XYZ_OF_RGB.sum(axis=1)
WARM = (1.18, 1.0, 0.74)
GREY_MM = (60.0, 60.0, 80.0, 60.0, 0.18)


@dataclass(frozen=True)
class SoftLamp:
    """A lamp over the slab plus room light; it stays put when the slab is turned."""

    x_share: float = 0.3
    y_share: float = -0.4
    height_mm: float = 1500.0
    room: float = 0.45

    def light(self, size_mm, shape, *, is_turned=False) -> np.ndarray:
        """Return the light (rows, cols) as it falls on the slab's own plan."""
        x, y = place_grid(size_mm, shape)
        if is_turned:
            x, y = size_mm[0] - x, size_mm[1] - y
        d2 = (x - self.x_share * size_mm[0]) ** 2 + (y - self.y_share * size_mm[1]) ** 2
        fall = (self.height_mm**2 / (d2 + self.height_mm**2)) ** 1.5
        light = self.room + (1 - self.room) * fall / fall.max()
        return (light / light.mean()).astype(np.float32)


@dataclass(frozen=True)
class Scene:
    """What is painted on the slab and how it is lit and taken; `take` gives the photo."""

    seed: int = 0
    size_mm: tuple[float, float] = (2400.0, 700.0)
    mm_per_px: float = 2.5
    L: float = 64.0
    a: float = 0.4
    b: float = 4.0
    mottle_L: float = 0.6
    drift_L: float = 0.0
    joint_L: float = 0.0
    grain_L: float = 0.8
    blotches: tuple[tuple[float, float, float, float, float], ...] = ()  # x, y, rx, ry in mm, dL
    strip: tuple[float, float, float, float, float, float] | None = None  # rect in mm, dL, grain factor
    patches: tuple[tuple[float, float, float, float, float, float], ...] = ()  # x, y, d in mm, dL, da, db
    cast: tuple[float, float, float] = WARM
    lamp: SoftLamp | None = field(default_factory=SoftLamp)
    camera: Camera = field(default_factory=lambda: Camera(vignetting=0.25))
    has_card: bool = True
    is_file: bool = False  # taken as a file and read from it as the tool reads a photo's file
    subsampling: str = "4:2:0"

    @property
    def shape(self) -> tuple[int, int]:
        return round(self.size_mm[1] / self.mm_per_px), round(self.size_mm[0] / self.mm_per_px)

    def paint(self) -> np.ndarray:
        """Return the true L*a*b* (rows, cols, 3), without sand grain."""
        rng = np.random.default_rng([self.seed, 1])
        x, y = place_grid(self.size_mm, self.shape)
        lab = np.empty((*self.shape, 3), np.float32)
        lab[...] = self.L, self.a, self.b
        lab[..., 0] += self.mottle_L * draw_mottle(self.shape, self.mm_per_px, rng)
        lab[..., 2] += 0.3 * self.mottle_L * draw_mottle(self.shape, self.mm_per_px, rng)
        lab[..., 0] += self.drift_L * (x / self.size_mm[0] - 0.5)
        lab[..., 0] += self.joint_L * (x > 0.55 * self.size_mm[0])
        for cx, cy, rx, ry, step in self.blotches:
            lab[..., 0] += step / (1 + np.exp(np.minimum(np.hypot((x - cx) / rx, (y - cy) / ry) - 1, 5) * 8))
        if self.strip is not None:
            lab[..., 0] += self.strip[4] * self._in_strip()
        for cx, cy, diameter, *steps in self.patches:
            share = np.clip(0.5 + (diameter / 2 - np.hypot(x - cx, y - cy)) / self.mm_per_px, 0, 1)
            lab += share[..., None] * np.array(steps, np.float32)
        return lab

    def _in_strip(self) -> np.ndarray:
        x, y = place_grid(self.size_mm, self.shape)
        left, top, wide, high = self.strip[:4]
        return (x >= left) & (x < left + wide) & (y >= top) & (y < top + high)

    def light(self, *, is_turned: bool = False) -> np.ndarray:
        """Return the lamp's light on the plan (rows, cols)."""
        if self.lamp is None:
            return np.ones(self.shape, np.float32)
        return self.lamp.light(self.size_mm, self.shape, is_turned=is_turned)

    def take(self, *, is_turned: bool = False, exposure: float | None = None) -> FaceMap:
        """Return the photo, mapped to the slab's plan."""
        rng = np.random.default_rng([self.seed, 2])
        lab = self.paint()
        grain = self.grain_L * rng.standard_normal(self.shape, dtype=np.float32)
        if self.strip is not None:
            grain *= np.where(self._in_strip(), np.float32(self.strip[5]), np.float32(1))
        lab[..., 0] += grain
        linear = lab_to_linear(lab)
        if self.has_card:
            paint_rect(linear, GREY_MM, self.mm_per_px, GREY_MM[4])
        return self._photograph(linear, is_turned=is_turned, exposure=exposure, chance=3 + is_turned)

    def take_white_sheet(self) -> FaceMap:
        """Return the photo of a white sheet in the same light from the same place."""
        sheet = np.full((*self.shape, 3), 0.85, np.float32)
        return self._photograph(sheet, is_turned=False, exposure=0.5, chance=9)

    def _photograph(self, linear, *, is_turned, exposure, chance) -> FaceMap:
        light = self.light(is_turned=is_turned)
        radiance = linear * light[..., None] * np.array(self.cast, np.float32)
        if is_turned:  # the camera stays where it is, and sees the slab the other way round
            radiance = radiance[::-1, ::-1]
        camera = replace(
            self.camera, slab_size_mm=self.size_mm, slab_mm_per_px=self.mm_per_px, exposure=exposure
        )
        quality = camera.jpeg_quality
        if self.is_file:
            camera = replace(camera, jpeg_quality=None)
        rgb = photograph(np.ascontiguousarray(radiance), camera, seed=100 * self.seed + chance)
        if self.is_file and quality is not None:
            rgb = save_and_read(rgb, quality, self.subsampling)
        rgb = rgb[::-1, ::-1] if is_turned else rgb
        return FaceMap(np.ascontiguousarray(rgb), np.ones(self.shape, bool), self.mm_per_px)


def save_and_read(rgb: np.ndarray, quality: int, subsampling: str = "4:2:0") -> np.ndarray:
    """Return pixels as they are read from a JPEG file of them."""
    file = io.BytesIO()
    Image.fromarray(rgb).save(file, "JPEG", quality=quality, subsampling=subsampling)
    plain = np.asarray(Image.open(file))
    return read_jpeg_codes(file.getvalue(), Photo(plain, "soft.jpg", ""))


def draw_scene(seed: int, **changes) -> Scene:
    """Return a scene with tone, lamp, cast and camera drawn by chance."""
    rng = np.random.default_rng([seed, 0])
    lamp = SoftLamp(rng.uniform(-0.2, 1.2), rng.uniform(-1, 2), rng.uniform(1200, 2500), rng.uniform(0.3, 0.7))
    camera = Camera(
        vignetting=rng.uniform(0.1, 0.35), sharpening=rng.uniform(0, 0.5), defocus_px=rng.uniform(0.5, 1.0)
    )
    drawn = {
        "L": rng.uniform(55, 78), "a": rng.uniform(-0.5, 1.2), "b": rng.uniform(1, 7),
        "mottle_L": rng.uniform(0.3, 0.8), "cast": (rng.uniform(1.0, 1.25), 1.0, rng.uniform(0.7, 1.0)),
        "lamp": lamp, "camera": camera,
    }
    return Scene(seed=seed, **(drawn | changes))


def draw_blotches(seed: int, size_mm=(2400.0, 700.0), n: int = 2):
    """Return n blotches of 100 to 280 mm, 2 to 5 L* lighter or darker, by chance."""
    rng = np.random.default_rng([seed, 5])
    return tuple(
        (
            rng.uniform(0.1, 0.9) * size_mm[0], rng.uniform(0.2, 0.8) * size_mm[1],
            *rng.uniform(50, 140, 2), rng.choice([-1, 1]) * rng.uniform(2, 5),
        )
        for _ in range(n)
    )


def draw_mottle(shape, mm_per_px: float, rng) -> np.ndarray:
    """Return soft patches of 40 to 250 mm, mean 0 and sd 1."""
    total = np.zeros(shape, np.float32)
    for wave_mm, weight in ((250, 0.6), (100, 0.6), (40, 0.4)):
        cell = max(wave_mm / mm_per_px / 5, 1.0)
        rows, cols = (int(np.ceil(n / cell)) + 4 for n in shape)
        noise = cv2.GaussianBlur(rng.standard_normal((rows, cols), dtype=np.float32), (0, 0), 1.1)
        size = (max(round(cols * cell), shape[1]), max(round(rows * cell), shape[0]))
        noise = cv2.resize(noise, size, interpolation=cv2.INTER_CUBIC)[: shape[0], : shape[1]]
        total += weight * noise / noise.std()
    return (total - total.mean()) / total.std()


def place_grid(size_mm, shape) -> tuple[np.ndarray, np.ndarray]:
    """Return x_mm and y_mm (rows, cols) of the pixel centres."""
    x = (np.arange(shape[1], dtype=np.float32) + 0.5) * size_mm[0] / shape[1]
    y = (np.arange(shape[0], dtype=np.float32) + 0.5) * size_mm[1] / shape[0]
    return np.meshgrid(x, y)


def paint_rect(linear: np.ndarray, rect_mm, mm_per_px: float, value: float) -> None:
    """Paint a rectangle given in slab mm with one reflectance."""
    left, top, right, bottom = (
        round(edge / mm_per_px)
        for edge in (rect_mm[0], rect_mm[1], rect_mm[0] + rect_mm[2], rect_mm[1] + rect_mm[3])
    )
    linear[top:bottom, left:right] = value


def lab_to_linear(lab: np.ndarray) -> np.ndarray:
    """Return linear sRGB light of L*a*b* (D65, 2 degrees), by the formula of CIE 15."""
    f_y = (lab[..., 0] + 16) / 116
    f = np.stack([f_y + lab[..., 1] / 500, f_y, f_y - lab[..., 2] / 200], axis=-1)
    xyz = np.where(f > 6 / 29, f**3, (f - 16 / 116) * 3 * (6 / 29) ** 2) * WHITE_XYZ
    return (xyz @ np.linalg.inv(XYZ_OF_RGB).T).astype(np.float32)
