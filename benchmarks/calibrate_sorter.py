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

DATA = Path(__file__).parent.parent / "inspect" / "rakelight" / "data"
FIRST_SEED = 700_000
FINE = {"mm_per_px": (0.09, 0.2), "limit_mm": (1, 99)}
COARSE = {
    "mm_per_px": (0.3, 0.5), "limit_mm": (1.6, 99), "size_px": (1200, 900), "diameter_median_mm": (2.5, 4.0),
    "pits_per_m2": (300, 1500),
}  # fmt: skip
DARK = {"angle_deg": (5, 10), "albedo": (0.1, 0.25), "slope_rms": (0.03, 0.07)}
PLAIN = {"angle_deg": (8, 22)}
SCENES = (
    (14, {**FULL, **DISTRACT, **PLAIN, **FINE}),
    (6, {**FULL, **DISTRACT, **DARK, **FINE}),
    (12, {**NO_PITS, **DISTRACT, **PLAIN, **FINE}),
    (14, {**FULL, **DISTRACT, **PLAIN, **COARSE}),
    (6, {**DISTRACT, **PLAIN, **COARSE, **NO_PITS}),
)
RIDGE = 1e-2  # keeps the curve sober where two kinds of evidence say the same


def collect() -> tuple[np.ndarray, np.ndarray]:
    """Return the evidence (n, 6) of every detection that counts by size, and whether it is a real pit."""
    evidence, real, seed = [], [], FIRST_SEED
    for n, numbers in SCENES:
        for _ in range(n):
            scene = draw_scene(seed, generators=TRAINED, **numbers)
            seed += 1
            pits, told = find_entries(scene, with_evidence=True)
            large = (pits.diameter_mm >= scene.limit_mm[0]).to_numpy()
            evidence.append(told[large])
            real.append((match(pits, scene.pits) >= 0)[large])
    return np.concatenate(evidence), np.concatenate(real)


def fit_curve(terms: np.ndarray, real: np.ndarray) -> np.ndarray:
    """Return the weights of the logistic curve (Newton steps, a little ridge)."""
    beta = np.zeros(terms.shape[1])
    for _ in range(60):
        chance = 1 / (1 + np.exp(-np.clip(terms @ beta, -30, 30)))
        weight = np.maximum(chance * (1 - chance), 1e-6)
        slope = terms.T @ (real - chance) - RIDGE * beta
        beta = beta + np.linalg.solve(terms.T @ (terms * weight[:, None]) + RIDGE * np.eye(len(beta)), slope)
    return beta


def main() -> None:
    """Fit and write."""
    terms, real = collect()
    curve = fit_curve(terms, real.astype(float))
    packed = dict(np.load(DATA / "sorter.npz"))
    packed["calibration"] = curve.astype(np.float32)
    np.savez_compressed(DATA / "sorter.npz", **packed)
    record = json.loads((DATA / "sorter.json").read_text(encoding="utf-8"))
    record["calibration"] = curve.tolist()
    record["calibrated_on"] = {
        "scenes": sum(n for n, _ in SCENES), "first_seed": FIRST_SEED, "detections": len(real), "real": int(real.sum()),
    }  # fmt: skip
    (DATA / "sorter.json").write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")
    print(curve, len(real), int(real.sum()))


if __name__ == "__main__":
    main()
