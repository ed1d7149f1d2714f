"""What the recipes do not have and real faces do: natural textures, dents, soft lips, paint.

Everything here changes a made-up slab in place, before it is lit. Nothing that is added counts as a pit:
textures are kept so low that their hollows stay below `SHALLOWEST` of their width.

Measured relief may take part too: normal maps of natural surfaces, read from a folder of pictures
(`--relief FOLDER` of `sorter_examples.py`; those of the npm package `@pmndrs/assets`, CC0-1.0, were used). Maps
of pitted walls and of boards are left out, so that nothing like the relief of the test is learnt.
"""

from functools import cache
from pathlib import Path

import cv2
import numpy as np

from rakelight.simulate.relief import integrate_normals
from rakelight.simulate.slab import Slab

SHALLOWEST = 0.07
"""Depth over diameter from which a hollow is a pit that somebody would fill; our choice."""

DENT_DEEPEST = 0.05
"""Depth over diameter up to which a hollow is a dent and no pit; in between people would differ. Our choice."""

PALEST_DARK = 0.45
"""Light that the darkest paint leaves: what is darker looks like shade, and a hole must not be taken for tar."""

RELIEF_MAPS = ("0001", "0002", "0004", "0010", "0011", "0014", "0015", "0017", "0018", "0019", "0021", "0027", "0028")
"""Maps that take part: bark, leather, paper, plaster, cloth; no pitted wall, no boards, nothing man-cut."""


def roughen(slab: Slab, rng: np.random.Generator, *, relief: Path | None = None, is_painted: bool = True) -> float:
    """Add, in place, flakes, natural textures, dents, paint and soft lips; return how soft the lips are (sigma, px)."""
    if rng.random() < 0.35:
        _drop_flakes(slab, rng)
    for _ in range(int(rng.choice([0, 1, 2], p=[0.3, 0.45, 0.25]))):
        lay_texture(slab, draw_texture(slab.height_mm.shape, rng), rng)
    if relief is not None and rng.random() < 0.4:
        lay_texture(slab, cut_relief(slab.height_mm.shape, relief, rng), rng)
    for _ in range(int(rng.choice([0, 60, 200]))):
        _press_dent(slab, rng)
    for _ in range(int(rng.choice([0, 60, 200])) if is_painted else 0):
        _paint_disc(slab, rng)
    if rng.random() < 0.5:
        return 0.0
    # Worn, rubbed or sealed faces have soft lips.
    blur_px = float(rng.uniform(0.4, 1.8))
    slab.height_mm[:] = cv2.GaussianBlur(slab.height_mm, (0, 0), blur_px)
    return blur_px


def draw_texture(shape: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
    """Return natural texture, mean 0 and deviation 1: power-law spectrum, any grain, plain, dimpled or knobbly."""
    rows, cols = shape
    fy, fx = np.fft.fftfreq(rows)[:, None], np.fft.rfftfreq(cols)[None, :]
    turn, stretch = rng.uniform(0, np.pi), np.exp(np.abs(rng.normal(0, 0.6)))
    along, across = fx * np.cos(turn) + fy * np.sin(turn), fy * np.cos(turn) - fx * np.sin(turn)
    frequency = np.hypot(along * stretch, across / stretch)
    cut = np.exp(rng.uniform(np.log(0.06), np.log(0.4)))
    longest, power = rng.uniform(8, 150), rng.uniform(0.5, 2.6)
    weight = np.maximum(frequency, 1 / longest) ** -power * np.exp(-((frequency / cut) ** 2))
    noise = np.fft.irfft2(np.fft.rfft2(rng.standard_normal(shape)) * weight, s=shape)
    noise /= noise.std()
    bend = float(rng.choice([-1, 0, 0, 1])) * rng.uniform(0.3, 1.0)
    if bend:
        noise = np.expm1(bend * np.clip(noise, -3, 3)) / bend
    return noise


def cut_relief(shape: tuple[int, int], folder: Path, rng: np.random.Generator) -> np.ndarray:
    """Return a piece of measured relief, turned, scaled and mirrored by chance, repeated to fill `shape`."""
    tile = read_relief(folder, str(rng.choice(RELIEF_MAPS)))
    scale, angle = np.exp(rng.uniform(np.log(0.5), np.log(2.0))), rng.uniform(0, 360)
    turn = cv2.getRotationMatrix2D((0, 0), angle, 1 / scale)
    turn[:, 2] += rng.uniform(0, 512, 2)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    place_x = (turn[0, 0] * x + turn[0, 1] * y + turn[0, 2]) % (tile.shape[1] - 1)
    place_y = (turn[1, 0] * x + turn[1, 1] * y + turn[1, 2]) % (tile.shape[0] - 1)
    piece = cv2.remap(tile, place_x.astype(np.float32), place_y.astype(np.float32), cv2.INTER_LINEAR)
    return piece[:, ::-1] if rng.random() < 0.5 else piece


@cache
def read_relief(folder: Path, name: str) -> np.ndarray:
    """Return the height of a normal map without its long swell, deviation 1."""
    normals = cv2.imread(str(next(folder.glob(f"{name}.*"))))[:, :, ::-1]
    height = integrate_normals(normals, 1.0, green_points_up=True)
    height = height - cv2.GaussianBlur(height, (0, 0), 24, borderType=cv2.BORDER_REFLECT)
    return height / height.std()


def lay_texture(slab: Slab, texture: np.ndarray, rng: np.random.Generator) -> None:
    """Add a texture at a slope drawn by chance, rougher here than there as real faces are."""
    rows, cols = texture.shape
    slope = np.sqrt(np.mean(np.square(np.diff(texture, axis=1)) + np.mean(np.square(np.diff(texture, axis=0)))) / 2)
    wanted = np.exp(rng.uniform(np.log(0.005), np.log(0.07)))
    unevenness = rng.choice([0.0, 0.4, 0.8])
    cells = max(int(max(rows, cols) / rng.uniform(40, 400)), 2)
    field = rng.standard_normal((cells, cells)).astype(np.float32)
    field = cv2.resize(field, (cols, rows), interpolation=cv2.INTER_CUBIC)
    strength = np.minimum(np.exp(unevenness * field), 0.09 / wanted)
    slab.height_mm[:] += (texture * strength * (wanted / slope * slab.mm_per_px)).astype(np.float32)


def _drop_flakes(slab: Slab, rng: np.random.Generator) -> None:
    rows, cols = slab.height_mm.shape
    tone, lift = np.ones((rows, cols), np.float32), np.zeros((rows, cols), np.float32)
    radius = float(np.exp(rng.uniform(np.log(1.2), np.log(9))))
    cover = rng.uniform(0.1, 2.0)
    for _ in range(int(cover * rows * cols / (np.pi * radius**2))):
        centre = (int(rng.integers(cols)), int(rng.integers(rows)))
        axes = tuple(max(1, int(radius * np.exp(rng.normal(0, 0.4)))) for _ in range(2))
        turn = float(rng.uniform(0, 180))
        cv2.ellipse(tone, centre, axes, turn, 0, 360, float(rng.normal()), -1)
        cv2.ellipse(lift, centre, axes, turn, 0, 360, float(rng.normal()), -1)
    blur = float(rng.uniform(0.3, 0.8))
    tone, lift = cv2.GaussianBlur(tone, (0, 0), blur), cv2.GaussianBlur(lift, (0, 0), blur + 0.4)
    slab.albedo[:] = np.clip(slab.albedo * np.exp(rng.uniform(0, 0.13) * tone)[:, :, None], 0.01, 0.95)
    slab.height_mm[:] += lift * np.float32(rng.uniform(0, 0.02) * radius * slab.mm_per_px)


def _press_dent(slab: Slab, rng: np.random.Generator) -> None:
    """Press a dent, too shallow to be filled, or raise a swelling, round or drawn out."""
    sigma = float(np.exp(rng.uniform(np.log(0.9), np.log(14))))
    depth = sigma * 2.4 * slab.mm_per_px * rng.uniform(0.004, DENT_DEEPEST) * rng.choice([-1, 1])
    turn, stretch = rng.uniform(0, np.pi), np.exp(rng.uniform(0, 0.7))
    row, col = int(rng.integers(slab.height_mm.shape[0])), int(rng.integers(slab.height_mm.shape[1]))
    reach = int(3.5 * sigma * stretch) + 1
    y0, x0 = max(row - reach, 0), max(col - reach, 0)
    view = slab.height_mm[y0 : row + reach + 1, x0 : col + reach + 1]
    y, x = np.ogrid[y0 - row : y0 - row + view.shape[0], x0 - col : x0 - col + view.shape[1]]
    along, across = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    view -= (depth * np.exp(-0.5 * ((along / stretch) ** 2 + (across * stretch) ** 2) / sigma**2)).astype(np.float32)


def _paint_disc(slab: Slab, rng: np.random.Generator) -> None:
    """Paint a round or oval stain, from a pale bloom to a rust spot, edge sharp to soft."""
    radius = float(np.exp(rng.uniform(np.log(1.2), np.log(16))))
    edge = rng.uniform(0.3, 0.5 + 0.5 * radius)
    is_pale = rng.random() >= 0.82
    tone = rng.uniform(1.1, 1.5) if is_pale else float(np.exp(rng.uniform(np.log(PALEST_DARK), np.log(0.9))))
    row, col = int(rng.integers(slab.height_mm.shape[0])), int(rng.integers(slab.height_mm.shape[1]))
    if slab.pit_index[max(row - 3, 0) : row + 4, max(col - 3, 0) : col + 4].any():
        return
    reach = int(1.4 * radius + 3 * edge) + 1
    y0, x0 = max(row - reach, 0), max(col - reach, 0)
    view = slab.albedo[y0 : row + reach + 1, x0 : col + reach + 1]
    y, x = np.ogrid[y0 - row : y0 - row + view.shape[0], x0 - col : x0 - col + view.shape[1]]
    turn, stretch = rng.uniform(0, np.pi), np.exp(rng.uniform(0, 0.3))
    along, across = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    away = np.hypot(along / stretch, across * stretch)
    cover = 1 / (1 + np.exp(np.clip((away - radius) / (edge / 2), -30, 30)))
    view *= (1 + cover * (tone - 1))[:, :, None].astype(np.float32)
    entry = {
        "x_mm": (col + 0.5) * slab.mm_per_px, "y_mm": (row + 0.5) * slab.mm_per_px,
        "diameter_mm": 2 * radius * slab.mm_per_px, "kind": "stain",
    }  # fmt: skip
    slab.marks.loc[len(slab.marks), list(entry)] = list(entry.values())
