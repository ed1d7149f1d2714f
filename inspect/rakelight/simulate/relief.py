"""Height of a real face from its normal map, so that pits that no one here invented can be lit.

Catalogue: `integrate_normals`, `make_relief_slab`. The height has no scale of its own: how many mm
a pixel stands for is assumed by whoever uses it and must be said with the picture.
"""

import numpy as np

from ..core.checks import check_positive
from ..core.errors import SettingsError
from .marks import build_mark_table
from .slab import Slab, SlabRecipe, build_truth
from .texture import draw_concrete_tone


def integrate_normals(
    normals: np.ndarray, mm_per_px: float, *, green_points_up: bool = False
) -> np.ndarray:
    """Return the height in mm whose slopes fit a normal map best, mean 0.

    Parameters
    ----------
    normals : uint8 (rows, cols, 3), RGB: red to the right, green up (or down), blue out of the face.
    mm_per_px : assumed size of a pixel, mm.
    green_points_up : True when the map's green grows upward. The wrong one shows: pits turn into
        saddles, because the slopes then fit no face.

    Returns
    -------
    float32 (rows, cols), mm.

    Errors of the answer
    --------------------
    The face is taken to repeat at its borders, and steps steeper than the map can hold are
    lost: pits come out shallower than they were. The mean slope is removed.

    Source
    ------
    R. T. Frankot, R. Chellappa: A method for enforcing integrability in shape from shading
    algorithms, 1988 (formula from memory).
    """
    check_positive(mm_per_px, "mm_per_px")
    if normals.ndim != 3 or normals.shape[2] != 3:
        raise SettingsError("The normal map must be a colour picture of rows x columns x 3.")
    vectors = normals.astype(np.float64) / 127.5 - 1
    up = np.maximum(vectors[:, :, 2], 0.1)
    slope_x = -vectors[:, :, 0] / up
    slope_y = -vectors[:, :, 1] / up * (-1 if green_points_up else 1)
    rows, cols = up.shape
    fy = 2j * np.pi * np.fft.fftfreq(rows)[:, None]
    fx = 2j * np.pi * np.fft.fftfreq(cols)[None, :]
    power = np.abs(fx) ** 2 + np.abs(fy) ** 2
    power[0, 0] = 1.0
    spectrum = (-fx * np.fft.fft2(slope_x) - fy * np.fft.fft2(slope_y)) / power
    spectrum[0, 0] = 0.0
    return (np.real(np.fft.ifft2(spectrum)) * mm_per_px).astype(np.float32)


def make_relief_slab(height_mm: np.ndarray, mm_per_px: float, *, seed: int) -> Slab:
    """Return a slab with a given relief and the made-up tone of grey concrete; its truth is empty.

    Parameters
    ----------
    height_mm : (rows, cols), mm. mm_per_px : assumed size of a pixel, mm. seed : chance of the tone.

    Returns
    -------
    Slab whose `pits` and `marks` are empty tables: what the relief holds is not known exactly.

    Errors of the answer
    --------------------
    Those of the relief.

    Source
    ------
    Our choice.
    """
    rows, cols = height_mm.shape
    recipe = SlabRecipe(name="relief", size_mm=(cols * mm_per_px, rows * mm_per_px), n_pits=0)
    return Slab(
        height_mm=np.ascontiguousarray(height_mm, np.float32),
        albedo=draw_concrete_tone((rows, cols), mm_per_px, recipe, np.random.default_rng(seed)),
        mm_per_px=mm_per_px,
        pits=build_truth([]),
        marks=build_mark_table([]),
        pit_depth_mm=np.zeros((rows, cols), np.float32),
        pit_index=np.zeros((rows, cols), np.int32),
        gloss=recipe.gloss,
        recipe=recipe,
    )
