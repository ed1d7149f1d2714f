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
SMALLEST_PX = 5.0  # the smallest pit that counts spans so many pixels: enough for a blob, and several times quicker


def darkness(scene) -> tuple[np.ndarray, float]:
    """Return how much darker than its surroundings each pixel is, shrunk as the smallest pit allows, and its size."""
    import cv2

    face = FaceMap(scene.rgb, np.ones(scene.rgb.shape[:2], bool), scene.mm_per_px)
    relief = flatten_light(face).relief
    factor = max(1.0, scene.limit_mm[0] / SMALLEST_PX / scene.mm_per_px)
    if factor > 1:
        relief = cv2.resize(relief, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
    return np.clip(-relief, -1, 1), scene.mm_per_px * factor


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


def find_by_blobs(scene, *, method: str, threshold: float) -> pd.DataFrame:
    """Return what skimage's blob_log or blob_doh finds; the diameter is 2 sqrt(2) sigma."""
    from skimage import feature

    picture, pixel = darkness(scene)
    sigma = (0.8 * scene.limit_mm[0] / pixel / 2.83, 20 / pixel / 2.83)
    search = {"blob_log": feature.blob_log, "blob_doh": feature.blob_doh}[method]
    blobs = search(
        np.clip(picture, 0, 1), threshold=threshold,
        min_sigma=sigma[0], max_sigma=sigma[1], num_sigma=10, log_scale=True,
    )  # fmt: skip
    return as_table(blobs[:, 0], blobs[:, 1], 2.83 * blobs[:, 2], pixel)


def find_by_sep(scene, *, threshold: float) -> pd.DataFrame:
    """Return what sep (background, then extract at so many noise levels) finds."""
    import sep

    picture, pixel = darkness(scene)
    picture = np.ascontiguousarray(picture, np.float32)
    background = sep.Background(picture)
    found = sep.extract(picture - background, threshold, err=background.globalrms, minarea=6)
    return as_table(found["y"], found["x"], 2 * np.sqrt(found["npix"] / np.pi), pixel)


RIVALS = {
    "blob_log": (partial(find_by_blobs, method="blob_log"), (0.05, 0.1, 0.15, 0.2, 0.3)),
    "blob_doh": (partial(find_by_blobs, method="blob_doh"), (0.001, 0.003, 0.01, 0.03)),
    "sep": (find_by_sep, (1.5, 2, 3, 4, 6, 10)),
}
FACTORS = (0.8, 1.0, 1.15, 1.3, 1.5)
"""Sizes are tuned too: each finder's diameter is multiplied by one of these."""


def find_scaled(scene, *, finder: Callable, threshold: float, factor: float) -> pd.DataFrame:
    """Return what a finder finds, its diameters multiplied by a factor."""
    found = finder(scene, threshold=threshold)
    return found.assign(diameter_mm=found.diameter_mm * factor)


def tune(name: str, draw_tuning: Callable[[int], object]) -> Callable:
    """Return the finder with the threshold and the size factor of the best F1 on the tuning scenes."""
    finder, thresholds = RIVALS[name]
    scenes = [draw_tuning(TUNING_SEED + k) for k in range(N_TUNING)]
    best, best_f1 = None, -1.0
    for threshold in thresholds:
        found = [finder(scene, threshold=threshold) for scene in scenes]
        for factor in FACTORS:
            tally = Tally()
            for scene, table in zip(scenes, found, strict=True):
                scaled = table.assign(diameter_mm=table.diameter_mm * factor)
                tally_scene(tally, scaled, scene.pits, scene.marks, area_m2=scene.area_m2, limit_mm=scene.limit_mm)
            if tally.f1 > best_f1:
                best, best_f1 = partial(find_scaled, finder=finder, threshold=threshold, factor=factor), tally.f1
    return best
