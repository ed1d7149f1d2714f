"""Calibrate the sorter's confidence on whole made-up photos, as they come, and put the weights in place.

    python benchmarks/calibrate_sorter.py [WEIGHTS] [--out FOLDER] [--relief FOLDER]

WEIGHTS is the folder that `train_sorter.py` wrote (the shipped weights when left out). The calibrated weights and
their record go to `--out`, or, complete and in one step, to where the program reads them.

The examples of the training hold more pits and more hard cases than a photo does, so a chance
learned there is too high on photos. Here the whole path runs on faces of the five training
generators, with seeds from 700 000 that neither training nor testing touches, some of them
without any pit, and a logistic curve (Platt 1999) is fitted from the margin to what was real.
"""

import argparse
import json
import os
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from accuracy import DISTRACT, FULL, NO_PITS, TRAINED, draw_scene, find_entries
from scoring import match

from rakelight.pits.network import load_weights
from rakelight.pits.sort import size_terms

DATA = Path(__file__).parent.parent / "inspect" / "rakelight" / "data"
FIRST_SEED = 700_000
FINE = {"mm_per_px": (0.09, 0.2), "limit_mm": (1, 99)}
COARSE = {
    "mm_per_px": (0.3, 0.5), "limit_mm": (1.6, 99), "size_px": (1200, 900), "diameter_median_mm": (2.5, 4.0),
    "pits_per_m2": (300, 1500),
}  # fmt: skip
SMALL = {
    "mm_per_px": (0.06, 0.085), "limit_mm": (0.5, 99), "diameter_median_mm": (0.8, 1.4), "pits_per_m2": (4000, 12000),
}  # fmt: skip
DARK = {"angle_deg": (5, 10), "albedo": (0.1, 0.25), "slope_rms": (0.03, 0.07)}
PLAIN = {"angle_deg": (8, 22)}
ROUGH = {"is_roughened": True}
SCENES = (
    (18, {**FULL, **DISTRACT, **PLAIN, **FINE, "deepen": (1, 2.5)}),
    (8, {**FULL, **DISTRACT, **DARK, **FINE}),
    (12, {**NO_PITS, **DISTRACT, **PLAIN, **FINE}),
    (8, {**DISTRACT, **PLAIN, **SMALL}),
    (8, {**FULL, **DISTRACT, **PLAIN, **COARSE}),
    (4, {**DISTRACT, **PLAIN, **COARSE, **NO_PITS}),
    (4, {**FULL, **DISTRACT, **PLAIN, **FINE, **ROUGH}),
    (10, {**FULL, **DISTRACT, **PLAIN, **COARSE, **ROUGH}),
    (6, {**DISTRACT, **PLAIN, **COARSE, **NO_PITS, **ROUGH}),
)
RIDGE = 1e-2  # keeps the curve sober where two kinds of evidence say the same


def collect(relief: Path | None) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return evidence (n, 7) and reality of all that is large enough; size terms, ratio and doubt of the real ones."""
    evidence, real, sizes, seed = [], [], [], FIRST_SEED
    for n, numbers in SCENES:
        for _ in range(n):
            scene = draw_scene(seed, generators=TRAINED, relief=relief, **numbers)
            seed += 1
            pits, told = find_entries(scene, with_evidence=True)
            large = (pits.diameter_mm >= scene.limit_mm[0]).to_numpy()
            evidence.append(told[large])
            pair = match(pits, scene.pits)
            real.append((pair >= 0)[large])
            hit = large & (pair >= 0) & (pits.confidence > 0.5).to_numpy()
            true_mm = scene.pits.diameter_mm.to_numpy()[pair[hit]]
            ratio = true_mm / pits.diameter_mm[hit]
            doubt = pits.diameter_sd_mm[hit] / pits.diameter_mm[hit]
            sizes.append(np.column_stack([size_terms(told)[hit], ratio, doubt]))
    return np.concatenate(evidence), np.concatenate(real), np.concatenate(sizes)


def fit_size(terms: np.ndarray, ratio: np.ndarray, doubt: np.ndarray) -> np.ndarray:
    """Return the size correction: weights of `size_terms` for log(true / found), and a doubt factor.

    Weights by least absolute errors. The factor on the stated doubt makes two standard
    uncertainties cover 95 of 100 true sizes.
    """
    wanted, weight = np.log(ratio), np.ones(len(ratio))
    for _ in range(40):
        answer = np.linalg.solve(terms.T @ (terms * weight[:, None]), terms.T @ (weight * wanted))
        weight = 1 / np.maximum(np.abs(wanted - terms @ answer), 1e-3)
    share = np.abs(wanted - terms @ answer) / np.maximum(doubt, 1e-6)
    return np.append(answer, np.quantile(share, 0.95) / 2).astype(np.float32)


def fit_curve(terms: np.ndarray, real: np.ndarray) -> np.ndarray:
    """Return the weights of the logistic curve (Newton steps, a little ridge)."""
    beta = np.zeros(terms.shape[1])
    for _ in range(60):
        chance = 1 / (1 + np.exp(-np.clip(terms @ beta, -30, 30)))
        weight = np.maximum(chance * (1 - chance), 1e-6)
        slope = terms.T @ (real - chance) - RIDGE * beta
        beta = beta + np.linalg.solve(terms.T @ (terms * weight[:, None]) + RIDGE * np.eye(len(beta)), slope)
    return beta


def put_in_place(folder: Path, packed: dict[str, np.ndarray], record: dict) -> None:
    """Write weights and record beside their places and move them there whole."""
    folder.mkdir(parents=True, exist_ok=True)
    with open(folder / "sorter.npz.part", "wb") as file:
        np.savez_compressed(file, **packed)
    (folder / "sorter.json.part").write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")
    for name in ("sorter.npz", "sorter.json"):
        os.replace(folder / f"{name}.part", folder / name)


def main() -> None:
    """Fit and write."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("weights", type=Path, nargs="?", default=DATA)
    parser.add_argument("--out", type=Path, default=DATA)
    parser.add_argument("--relief", type=Path, help="folder of normal maps of natural surfaces")
    chosen = parser.parse_args()
    packed = dict(np.load(chosen.weights / "sorter.npz"))
    packed["size_correction"] = np.array([0, 0, 0, 0, 0, 1], np.float32)
    packed["calibration"] = np.array([1.05, 0, 0, 0, 0, 0, 0.3], np.float32)  # lenient: all hopeful ones are looked at
    # The weights are read once and kept: what is kept is changed, the file is not.
    load_weights().update({name: values.astype(np.float32) for name, values in packed.items()})
    terms, real, sizes = collect(chosen.relief)
    curve = fit_curve(terms, real.astype(float))
    packed["calibration"] = curve.astype(np.float32)
    packed["size_correction"] = fit_size(sizes[:, :5], sizes[:, 5], sizes[:, 6])
    record = json.loads((chosen.weights / "sorter.json").read_text(encoding="utf-8"))
    record["calibration"] = curve.tolist()
    record["size_correction"] = packed["size_correction"].tolist()
    record["calibrated_on"] = {
        "scenes": sum(n for n, _ in SCENES), "first_seed": FIRST_SEED, "detections": len(real), "real": int(real.sum()),
    }  # fmt: skip
    put_in_place(chosen.out, packed, record)
    print(curve, packed["size_correction"], len(real), int(real.sum()))


if __name__ == "__main__":
    main()
