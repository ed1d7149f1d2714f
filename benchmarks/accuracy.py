"""How good is the pit list? One table per set, on slabs no setting was chosen on.

    python benchmarks/accuracy.py                     all sets
    python benchmarks/accuracy.py --sets unseen empty --rivals
    python benchmarks/accuracy.py --relit FOLDER      with the re-lit real relief

"unseen" and the sets after it use the held-out generator "bubbles"; "own" uses the generators the
sorter was trained on, with seeds from 900 000 that no training or tuning touches.
"""

import argparse
import math
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))
from rivals import tune
from scoring import Tally, tally_scene

from rakelight.core.records import FaceMap, Lamp, Scale
from rakelight.core.settings import FindSettings
from rakelight.light.background import flatten_light
from rakelight.pits.find import build_octaves, find_pits
from rakelight.pits.measure import measure_pits
from rakelight.pits.sort import KEPT_FROM, sort_candidates
from rakelight.simulate.camera import Camera, aim_camera, photograph
from rakelight.simulate.lamp import Lamp as SceneLamp
from rakelight.simulate.lamp import light_slab
from rakelight.simulate.recipes import HELD_OUT, RECIPES
from rakelight.simulate.slab import make_slab

FIRST_SEED = 900_000


@dataclass(frozen=True)
class Scene:
    """One photo with its truth."""

    rgb: np.ndarray
    mm_per_px: float
    lamp: Lamp
    pits: pd.DataFrame
    marks: pd.DataFrame
    limit_mm: tuple[float, float]

    @property
    def area_m2(self) -> float:
        """Area the photo shows."""
        return self.rgb.shape[0] * self.rgb.shape[1] * (self.mm_per_px / 1000) ** 2


def draw_scene(seed: int, *, generators, angle_deg, mm_per_px, limit_mm, size_px=(2000, 1500), deepen=(1, 1), **changes) -> Scene:
    """Return a scene with all its numbers drawn from the seed."""
    rng = np.random.default_rng([seed, 5])
    pixel = float(rng.uniform(*mm_per_px))
    base = RECIPES[str(rng.choice(list(generators)))]
    drawn = {key: float(rng.uniform(*value)) for key, value in changes.items()}
    if deepen != (1, 1):
        drawn["depth_ratio"] = (base.depth_ratio[0], base.depth_ratio[1] * float(rng.uniform(*deepen)))
    recipe = replace(base, mm_per_px=pixel, size_mm=(size_px[0] * pixel, size_px[1] * pixel), **drawn)
    slab = make_slab(recipe, seed=seed)
    lamp = SceneLamp(float(rng.uniform(0, 360)), float(rng.uniform(*angle_deg)), spread_deg=float(rng.uniform(0.3, 1.5)))
    camera = Camera(
        vignetting=float(rng.uniform(0, 0.3)),
        defocus_px=float(rng.uniform(0.5, 1.1)),
        exposure_aim=float(rng.uniform(0.25, 0.55)),
        full_well=float(rng.uniform(3000, 10000)),
        sharpening=float(rng.choice([0, 0.3, 0.7])),
        jpeg_quality=int(rng.integers(85, 96)),
    )
    radiance = light_slab(slab, lamp, ambient=float(rng.uniform(0.05, 0.25)))
    rgb = photograph(radiance, aim_camera(slab, camera), seed=seed)
    said = Lamp((lamp.from_deg + rng.normal(0, 6)) % 360, lamp.angle_deg, basis="said")
    return Scene(rgb, pixel, said, slab.pits, slab.marks, limit_mm)


NO_PITS = {"pits_per_m2": (0, 0)}
FULL = {"pits_per_m2": (2000, 5000), "diameter_median_mm": (1.4, 2.4)}
DISTRACT = {
    "bumps_per_m2": (150, 400),
    "stains_per_m2": (150, 400),
    "grains_per_m2": (800, 3000),
    "crumbs_per_m2": (50, 200),
    "scratches_per_m2": (20, 80),
    "slope_rms": (0.015, 0.05),
}
TRAINED = ("caps", "worn", "dishes", "cast_wall", "honed")
SETS = {
    "own": (14, {"generators": TRAINED, "angle_deg": (10, 20), "mm_per_px": (0.1, 0.165), "limit_mm": (1, 99), **FULL, **DISTRACT}),
    "unseen": (14, {"generators": [HELD_OUT], "angle_deg": (10, 20), "mm_per_px": (0.1, 0.165), "limit_mm": (1, 99), **FULL, **DISTRACT}),
    "small": (8, {"generators": [HELD_OUT], "angle_deg": (10, 20), "mm_per_px": (0.06, 0.083), "limit_mm": (0.5, 1), "diameter_median_mm": (0.9, 1.2), "pits_per_m2": (6000, 12000), **DISTRACT}),
    "dark_rough": (10, {"generators": [HELD_OUT], "angle_deg": (5, 10), "mm_per_px": (0.1, 0.165), "limit_mm": (1, 99), **FULL, **DISTRACT, "albedo": (0.1, 0.2), "slope_rms": (0.035, 0.07)}),
    "empty": (10, {"generators": [HELD_OUT], "angle_deg": (10, 20), "mm_per_px": (0.1, 0.165), "limit_mm": (1, 99), **NO_PITS, **DISTRACT}),
    "empty_own": (10, {"generators": TRAINED, "angle_deg": (10, 20), "mm_per_px": (0.1, 0.165), "limit_mm": (1, 99), **NO_PITS, **DISTRACT}),
}  # fmt: skip


def find_entries(scene: Scene, *, lamp: Lamp | None = None, with_evidence: bool = False):
    """Return rakelight's pits of a scene, every confidence included; with the evidence when asked."""
    lamp = lamp or scene.lamp
    find = FindSettings(smallest_mm=scene.limit_mm[0])
    face = FaceMap(scene.rgb, np.ones(scene.rgb.shape[:2], bool), scene.mm_per_px)
    flat = flatten_light(face)
    octaves = build_octaves(flat, settings=find)
    found = find_pits(octaves, lamp, scene.mm_per_px, settings=find)
    entries = sort_candidates(octaves, found, lamp, scene.mm_per_px)
    scale = Scale("mm_per_px", scene.mm_per_px, 0.0, np.eye(3), face.size_mm)
    chosen = entries.take(entries.confidence >= KEPT_FROM)
    pits = measure_pits(chosen, face, flat, lamp, scale=scale).pits
    return (pits, chosen.evidence) if with_evidence else pits


def score_set(name: str, finder=find_entries) -> Tally:
    """Return the tally of one set."""
    n, numbers = SETS[name]
    tally = Tally()
    for k in range(n):
        scene = draw_scene(FIRST_SEED + 1000 * list(SETS).index(name) + k, **numbers)
        tally_scene(
            tally, finder(scene), scene.pits, scene.marks, area_m2=scene.area_m2, limit_mm=scene.limit_mm,
            px_mm=scene.mm_per_px,
        )  # fmt: skip
    return tally


def read_relit(folder: Path, name: str) -> Scene:
    """Return one photo of the re-lit real relief: positions in px become mm at 0.5 mm/px."""
    rgb = cv2.imread(str(folder / f"{name}.jpg"))[:, :, ::-1].copy()
    truth = pd.read_csv(folder / "relit_slab_truth.csv")
    table = pd.DataFrame(
        {
            "x_mm": (truth.x_px + 0.5) * 0.5,
            "y_mm": (truth.y_px + 0.5) * 0.5,
            "diameter_mm": truth.diameter_px * 0.5,
            "kind": truth.kind,
            "certainty": truth.certainty,
            "area_mm2": np.pi / 4 * (truth.diameter_px * 0.5) ** 2,
        }
    )
    side = 270.0 if "left" in name else 0.0
    is_pit = table.kind == "pit"
    return Scene(
        rgb, 0.5, Lamp(side, 15.0, basis="said"),
        table[is_pit].reset_index(drop=True), table[~is_pit].reset_index(drop=True), (1.75, 99),
    )  # fmt: skip


def score_relit(folder: Path, finder=find_entries) -> dict[str, Tally]:
    """Return one tally per photo of the re-lit relief."""
    answers = {}
    for name in ("stained_from_left_el15", "stained_from_top_el15"):
        scene = read_relit(folder, name)
        answers[name] = Tally()
        tally_scene(
            answers[name], finder(scene), scene.pits, scene.marks, area_m2=scene.area_m2, limit_mm=scene.limit_mm,
            px_mm=scene.mm_per_px,
        )  # fmt: skip
    return answers


def row_of(name: str, tally: Tally) -> str:
    """Return one line of the table."""
    if tally.true_mm:
        bias, error = tally.diameter_errors()
        mean_error = float(np.mean(np.abs(np.array(tally.found_mm) / np.array(tally.true_mm) - 1)))
        area = tally.found_area / tally.true_area - 1 if tally.true_area else math.nan
        sizes = f"{bias:+.1%} | {error:.1%} / {mean_error:.1%} | {area:+.1%}"
    else:
        sizes = "- | - | -"
    kinds = ", ".join(f"{kind} {n}" for kind, n in sorted(tally.false_kinds.items(), key=lambda item: -item[1]))
    return (
        f"| {name} | {tally.hits + tally.misses} | {tally.precision:.3f} | {tally.recall:.3f} | {tally.f1:.3f} "
        f"| {tally.false_per_tenth_m2:.1f} | {sizes} | {tally.calibration_error():.3f} | {kinds} |"
    )


HEAD = (
    "| set | pits | precision | recall | F1 | false per 0.1 m2 | diameter bias | diameter error median / mean "
    "| open area | calibration | false pits are |\n|---|---|---|---|---|---|---|---|---|---|---|"
)


def by_size(tally: Tally) -> str:
    """Return recall by true diameter in pixels."""
    px, hit = np.array(tally.sizes_px), np.array(tally.hit)
    edges = [3, 4, 5, 6, 8, 12, 20, 40, 400]
    cells = [
        f"{low}-{high} px {hit[(px >= low) & (px < high)].mean():.3f} (n {((px >= low) & (px < high)).sum()})"
        for low, high in zip(edges[:-1], edges[1:], strict=True)
        if ((px >= low) & (px < high)).any()
    ]
    return "; ".join(cells)


def detection_sizes(tally: Tally) -> str:
    """Return a50 and a90: diameters found in half and in nine of ten cases (logistic in log diameter)."""
    size, hit = np.log(np.array(tally.sizes_px) + 1e-9), np.array(tally.hit, float)
    if len(hit) < 20 or hit.all():
        return "a50, a90 below the smallest pit of the set"
    terms, beta = np.column_stack([size, np.ones_like(size)]), np.array([2.0, -2.0])
    for _ in range(60):
        chance = 1 / (1 + np.exp(-np.clip(terms @ beta, -30, 30)))
        weight = np.maximum(chance * (1 - chance), 1e-9)
        beta = beta + 0.7 * np.linalg.solve(terms.T @ (terms * weight[:, None]) + 1e-6 * np.eye(2), terms.T @ (hit - chance))
    a50, a90 = np.exp(-beta[1] / beta[0]), np.exp((math.log(9) - beta[1]) / beta[0])
    return f"a50 {a50:.1f} px, a90 {a90:.1f} px" if beta[0] > 0 else "recall does not rise with size"


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sets", nargs="*", default=list(SETS))
    parser.add_argument("--relit", type=Path)
    parser.add_argument("--rivals", action="store_true", help="also what general libraries find")
    chosen = parser.parse_args()
    print(HEAD, flush=True)
    details = []
    for name in chosen.sets:
        tally = score_set(name)
        print(row_of(name, tally), flush=True)
        details.append(f"{name}: recall by size: {by_size(tally)}; {detection_sizes(tally)}")
        for rival in ("blob_log", "blob_doh", "sep") if chosen.rivals else ():
            finder = tune(rival, lambda seed, numbers=SETS[name][1]: draw_scene(seed, **numbers))
            print(row_of(f"{name}: {rival}", score_set(name, finder)), flush=True)
    if chosen.relit:
        for name, tally in score_relit(chosen.relit).items():
            print(row_of(name, tally), flush=True)
            details.append(f"{name}: recall by size: {by_size(tally)}")
    print("\n" + "\n".join(details))


if __name__ == "__main__":
    main()
