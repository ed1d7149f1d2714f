"""Relief and tone of a made-up face: everything between the pits.

Catalogue: `draw_noise` (one wavelength, with or without a grain direction), `draw_relief`
(several wavelengths brought to an exact rms slope) and `draw_mottle` (soft tone patches).
More slope means a harder photo: what rules is slope / tan(lamp angle).
"""

from typing import TYPE_CHECKING

import cv2
import numpy as np

if TYPE_CHECKING:
    from .slab import SlabRecipe

CELLS_PER_WAVE = 5.0
"""Grid cells per wavelength when noise is drawn coarse and enlarged (our choice: no grid shows)."""


def draw_noise(
    shape: tuple[int, int],
    wavelength_px: float,
    rng: np.random.Generator,
    *,
    stretch: float = 1.0,
    angle_deg: float = 0.0,
) -> np.ndarray:
    """Return smooth noise of mean 0 and standard deviation 1 around one wavelength.

    Parameters
    ----------
    shape : rows, columns of the answer.
    wavelength_px : typical distance between neighbouring crests, pixels, above 0.
    rng : source of chance; the same state gives the same noise.
    stretch : how many times longer the crests are along `angle_deg` than across, 1 or more.
    angle_deg : direction of the crests, degrees, 0 along the rows.

    Returns
    -------
    float32 array of `shape`.

    Errors of the answer
    --------------------
    Wavelengths under 3 px are plain pixel noise; over the whole width they may hold one swell only.

    Source
    ------
    Our choice: blurred white noise, drawn coarse and enlarged.
    """
    if stretch != 1.0 and angle_deg % 180.0 != 0.0:
        return _turn_noise(shape, wavelength_px, rng, stretch=stretch, angle_deg=angle_deg)
    cell_y = max(wavelength_px / CELLS_PER_WAVE, 1.0)
    cell_x = max(wavelength_px * stretch / CELLS_PER_WAVE, 1.0)
    rows, cols = (max(int(np.ceil(shape[0] / cell_y)), 4), max(int(np.ceil(shape[1] / cell_x)), 4))
    noise = rng.standard_normal((rows, cols), dtype=np.float32)
    sigma_y = 0.22 * wavelength_px / cell_y
    sigma_x = 0.22 * wavelength_px * stretch / cell_x
    if max(sigma_x, sigma_y) > 0.25:
        noise = cv2.GaussianBlur(
            noise, (0, 0), sigmaX=sigma_x, sigmaY=sigma_y, borderType=cv2.BORDER_REFLECT
        )
    if noise.shape != shape:
        noise = cv2.resize(noise, shape[::-1], interpolation=cv2.INTER_CUBIC)
    return _standardise(noise)


def draw_relief(
    shape: tuple[int, int],
    mm_per_px: float,
    rng: np.random.Generator,
    *,
    slope_rms: float,
    waves: tuple[tuple[float, float], ...],
    stretch: float = 1.0,
    angle_deg: float = 0.0,
) -> np.ndarray:
    """Return the height in mm of a rough face whose rms slope is exactly `slope_rms`.

    Parameters
    ----------
    shape : rows, columns.
    mm_per_px : size of a pixel on the face, mm.
    rng : source of chance.
    slope_rms : root mean square of the slope along one axis, averaged over both axes; .01 is
        honed, .03 trowelled, .08 rough. 0 gives a flat face.
    waves : pairs (wavelength in mm, share of the slope variance); shares need not sum to 1.
    stretch, angle_deg : grain of the two shortest wavelengths, as in `draw_noise`.

    Returns
    -------
    float32 array of `shape`, mm, mean 0.

    Errors of the answer
    --------------------
    The slope is exact on the pixel grid (central differences); finer relief is not there.

    Source
    ------
    Our choice.
    """
    relief = np.zeros(shape, np.float32)
    if slope_rms <= 0:
        return relief
    for k, (wavelength_mm, share) in enumerate(sorted(waves)):
        noise = draw_noise(
            shape,
            wavelength_mm / mm_per_px,
            rng,
            stretch=stretch if k < 2 else 1.0,
            angle_deg=angle_deg,
        )
        slope = measure_slope(noise, mm_per_px)
        if slope > 0:
            relief += noise * np.float32(np.sqrt(share) / slope)
    return relief * np.float32(slope_rms / measure_slope(relief, mm_per_px))


def measure_slope(height_mm: np.ndarray, mm_per_px: float) -> float:
    """Return the rms slope along one axis, averaged over both axes (a pure number).

    Errors of the answer: central differences, so relief finer than 3 px is read too low.
    Source: definition.
    """
    down = (height_mm[2:] - height_mm[:-2]) / (2 * mm_per_px)
    right = (height_mm[:, 2:] - height_mm[:, :-2]) / (2 * mm_per_px)
    return float(np.sqrt((np.mean(np.square(down)) + np.mean(np.square(right))) / 2))


def draw_mottle(shape: tuple[int, int], mm_per_px: float, rng: np.random.Generator) -> np.ndarray:
    """Return soft tone patches of mean 0 and standard deviation 1 (cloudy, 6 to 120 mm).

    Errors of the answer: none to speak of, it is decoration.
    Source: our choice, after how young concrete looks in soft light.
    """
    mottle = np.zeros(shape, np.float32)
    for wavelength_mm, weight in ((120.0, 0.8), (40.0, 0.5), (14.0, 0.35), (6.0, 0.2)):
        mottle += weight * draw_noise(shape, wavelength_mm / mm_per_px, rng)
    return _standardise(mottle)


def draw_specks(
    shape: tuple[int, int],
    mm_per_px: float,
    rng: np.random.Generator,
    *,
    diameter_mm: float,
    share: float,
) -> np.ndarray:
    """Return a map of sand specks, 0 between them and up to about 1 in their middle.

    `diameter_mm` is the usual grain, `share` (0-.5) the part of the face the specks cover.

    Errors of the answer: cover is near `share` for small shares, lower when specks overlap.
    Source: our choice (thresholded noise of the grain's own wavelength).
    """
    noise = draw_noise(shape, 2.2 * diameter_mm / mm_per_px, rng)
    sample = noise[:: max(shape[0] // 256, 1), :: max(shape[1] // 256, 1)]
    cut = np.float32(np.quantile(sample, 1.0 - share))
    return np.clip((noise - cut) * np.float32(2.0), 0.0, 1.0)


def _standardise(noise: np.ndarray) -> np.ndarray:
    mean, spread = cv2.meanStdDev(noise)
    noise -= np.float32(mean.item())
    noise /= np.float32(max(spread.item(), 1e-9))
    return noise


def _turn_noise(
    shape: tuple[int, int],
    wavelength_px: float,
    rng: np.random.Generator,
    *,
    stretch: float,
    angle_deg: float,
) -> np.ndarray:
    side = int(np.ceil(np.hypot(*shape))) + 2
    noise = draw_noise((side, side), wavelength_px, rng, stretch=stretch)
    turn = cv2.getRotationMatrix2D(((side - 1) / 2, (side - 1) / 2), angle_deg, 1.0)
    turn[0, 2] -= (side - shape[1]) / 2
    turn[1, 2] -= (side - shape[0]) / 2
    return cv2.warpAffine(noise, turn, shape[::-1], flags=cv2.INTER_LINEAR)


def draw_concrete_tone(
    shape: tuple[int, int], mm_per_px: float, recipe: "SlabRecipe", rng: np.random.Generator
) -> np.ndarray:
    """Return the linear reflectance (rows, cols, 3) of grey concrete: paste, mottling, sand specks.

    Errors of the answer: none, it is made up. Source: our choice.
    """
    tone = 1 + np.float32(recipe.mottling) * draw_mottle(shape, mm_per_px, rng)
    if recipe.specks > 0:
        for size, change in ((0.5, -0.28), (0.8, 0.22), (1.2, -0.12)):
            tone += np.float32(change) * draw_specks(
                shape, mm_per_px, rng, diameter_mm=size, share=recipe.specks / 2
            )
    tint = np.array(recipe.tint, np.float32) * np.float32(recipe.albedo)
    return np.maximum(tone, 0.1)[:, :, None] * tint


def draw_board_ridges(
    shape: tuple[int, int], mm_per_px: float, rng: np.random.Generator, *, pitch_mm: float
) -> np.ndarray:
    """Return the height in mm of ridges that form boards left: one every `pitch_mm`, top to bottom.

    Errors of the answer: none. Source: our choice.
    """
    x = (np.arange(shape[1], dtype=np.float32) + 0.5) * np.float32(mm_per_px)
    line = np.zeros(shape[1], np.float32)
    for place in np.arange(rng.uniform(0.2, 0.8) * pitch_mm, x[-1], pitch_mm):
        high, wide = rng.uniform(0.04, 0.15), rng.uniform(0.4, 1.0)
        line += high * np.exp(-np.square((x - place) / wide))
        line += np.float32(rng.normal(0, 0.03)) * (x > place)
    grain = draw_noise(shape, 1.6 / mm_per_px, rng, stretch=30.0, angle_deg=90.0)
    return line[None, :] + np.float32(0.006) * grain
