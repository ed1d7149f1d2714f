"""What general libraries find on the same photos, tuned fairly on scenes of their own.

Each finder gets the flattened photo (our lamp removal), looks for dark blobs, and has its threshold
and its size factor chosen to give the best F1 on scenes from seed 800 000, which nothing else uses.
"""

import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))
from scoring import Tally, tally_scene

from rakelight.core.records import FaceMap
from rakelight.light.background import flatten_light

TUNING_SEED = 800_000
N_TUNING = 3
SHRINK_MM = 0.2  # blob searches work at this pixel size: 5 px across 1 mm, and ten times quicker


def darkness(scene) -> tuple[np.ndarray, float]:
    """Return how much darker than its surroundings each pixel is, shrunk to about .2 mm, and that pixel size."""
    import cv2

    face = FaceMap(scene.rgb, np.ones(scene.rgb.shape[:2], bool), scene.mm_per_px)
    relief = flatten_light(face).relief
    factor = max(1, round(SHRINK_MM / scene.mm_per_px))
    if factor > 1:
        relief = cv2.resize(relief, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
    return np.clip(-relief, 0, 1), scene.mm_per_px * factor


def as_table(row, col, diameter_px, mm_per_px: float) -> pd.DataFrame:
    """Return detections in the columns that the scoring reads."""
    return pd.DataFrame(
        {
            "x_mm": (np.asarray(col, float) + 0.5) * mm_per_px,
            "y_mm": (np.asarray(row, float) + 0.5) * mm_per_px,
            "diameter_mm": np.asarray(diameter_px, float) * mm_per_px,
            "confidence": np.ones(len(row)),
        }
    )


def find_by_blobs(scene, *, method: str, threshold: float, factor: float) -> pd.DataFrame:
    """Return what skimage's blob_log or blob_doh finds; diameter is factor x 2 sqrt(2) sigma."""
    from skimage import feature

    picture, pixel = darkness(scene)
    sigma = (0.8 / pixel / 2.83, 20 / pixel / 2.83)
    search = {"blob_log": feature.blob_log, "blob_doh": feature.blob_doh}[method]
    blobs = search(picture, min_sigma=sigma[0], max_sigma=sigma[1], num_sigma=10, log_scale=True, threshold=threshold)
    return as_table(blobs[:, 0], blobs[:, 1], factor * 2.83 * blobs[:, 2], pixel)


def find_by_sep(scene, *, threshold: float, factor: float) -> pd.DataFrame:
    """Return what sep (background, then extract at so many noise levels) finds."""
    import sep

    picture, pixel = darkness(scene)
    picture = np.ascontiguousarray(picture, np.float32)
    background = sep.Background(picture)
    found = sep.extract(picture - background, threshold, err=background.globalrms, minarea=6)
    return as_table(found["y"], found["x"], factor * 2 * np.sqrt(found["npix"] / np.pi), pixel)


GRIDS = {
    "blob_log": [partial(find_by_blobs, method="blob_log", threshold=t, factor=f) for t in (0.05, 0.1, 0.15, 0.2, 0.3) for f in (1.0, 1.3)],
    "blob_doh": [partial(find_by_blobs, method="blob_doh", threshold=t, factor=f) for t in (0.001, 0.003, 0.01, 0.03) for f in (1.0, 1.3)],
    "sep": [partial(find_by_sep, threshold=t, factor=f) for t in (2, 4, 6, 10) for f in (1.0, 1.2)],
}  # fmt: skip


def tune(name: str, draw_tuning: Callable[[int], object]) -> Callable:
    """Return the finder with the best F1 on the tuning scenes."""
    scenes = [draw_tuning(TUNING_SEED + k) for k in range(N_TUNING)]
    best, best_f1 = None, -1.0
    for finder in GRIDS[name]:
        tally = Tally()
        for scene in scenes:
            tally_scene(tally, finder(scene), scene.pits, scene.marks, area_m2=scene.area_m2, limit_mm=scene.limit_mm)
        if tally.f1 > best_f1:
            best, best_f1 = finder, tally.f1
    return best
