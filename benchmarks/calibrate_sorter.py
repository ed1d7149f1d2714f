"""Calibrate the sorter's confidence on whole made-up photos, as they come, and write it into the weights.

    python benchmarks/calibrate_sorter.py

The examples of the training hold more pits and more hard cases than a photo does, so a chance
learned there is too high on photos. Here the whole path runs on faces of the five training
generators, with seeds from 700 000 that neither training nor testing touches, some of them
without any pit, and a logistic curve (Platt 1999) is fitted from the margin to what was real.
"""

import json
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from accuracy import DISTRACT, FULL, NO_PITS, TRAINED, draw_scene, find_entries
from scoring import match

from rakelight.pits.network import load_weights
from rakelight.pits.sort import logit

DATA = Path(__file__).parent.parent / "inspect" / "rakelight" / "data"
FIRST_SEED = 700_000
SCENES = (
    (16, {**FULL, **DISTRACT, "angle_deg": (8, 22), "mm_per_px": (0.09, 0.2)}),
    (6, {**FULL, **DISTRACT, "angle_deg": (5, 10), "mm_per_px": (0.1, 0.2), "albedo": (0.1, 0.25), "slope_rms": (0.03, 0.07)}),
    (12, {**NO_PITS, **DISTRACT, "angle_deg": (8, 22), "mm_per_px": (0.09, 0.2)}),
)


def collect() -> tuple[np.ndarray, np.ndarray]:
    """Return margins (uncalibrated) and whether each detection of 1 mm and more is a real pit."""
    margins, real, seed = [], [], FIRST_SEED
    slope, offset = load_weights()["calibration"]
    for n, numbers in SCENES:
        for _ in range(n):
            scene = draw_scene(seed, generators=TRAINED, limit_mm=(1, 99), **numbers)
            seed += 1
            pits = find_entries(scene)
            pits = pits[pits.diameter_mm >= 1.0]
            margins.append((logit(pits.confidence.to_numpy()) - offset) / slope)
            real.append(match(pits, scene.pits) >= 0)
    return np.concatenate(margins), np.concatenate(real)


def fit_curve(margin: np.ndarray, real: np.ndarray) -> tuple[float, float]:
    """Return slope and offset of the logistic curve (Newton steps)."""
    terms = np.column_stack([margin, np.ones_like(margin)])
    beta = np.array([1.0, 0.0])
    for _ in range(50):
        chance = 1 / (1 + np.exp(-np.clip(terms @ beta, -30, 30)))
        weight = np.maximum(chance * (1 - chance), 1e-9)
        beta = beta + np.linalg.solve(terms.T @ (terms * weight[:, None]), terms.T @ (real - chance))
    return float(beta[0]), float(beta[1])


def main() -> None:
    """Fit and write."""
    margin, real = collect()
    curve = fit_curve(margin, real.astype(float))
    packed = dict(np.load(DATA / "sorter.npz"))
    packed["calibration"] = np.array(curve, np.float32)
    np.savez_compressed(DATA / "sorter.npz", **packed)
    record = json.loads((DATA / "sorter.json").read_text(encoding="utf-8"))
    record["calibration"] = curve
    record["calibrated_on"] = {"scenes": sum(n for n, _ in SCENES), "first_seed": FIRST_SEED, "detections": len(real), "real": int(real.sum())}
    (DATA / "sorter.json").write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")
    print(curve, len(real), int(real.sum()))


if __name__ == "__main__":
    main()
