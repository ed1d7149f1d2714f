"""How good is the pit list? One table per set, on slabs no setting was chosen on.

    python benchmarks/accuracy.py                     all sets
    python benchmarks/accuracy.py --sets unseen empty --rivals
    python benchmarks/accuracy.py --relit FOLDER      with the re-lit real relief
    python benchmarks/accuracy.py --relit FOLDER --rivals --write       and into results/accuracy.md and README.md

"unseen" and the sets after it use the held-out generator "bubbles"; "own" uses the generators the
sorter was trained on, with seeds from 950 000 that no training or tuning touches. `--weights FOLDER` judges
weights that are not in place yet.
"""

import argparse
import hashlib
import pickle
import sys
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))
from accuracy_tables import describe_set, row_of, write_tables
from rivals import RIVALS, tune
from scoring import Tally, tally_scene
from sorter_faces import roughen

from rakelight.core.records import FaceMap, Lamp, Scale
from rakelight.core.settings import FindSettings
from rakelight.grade.windows import count_centres, place_windows, sum_seen
from rakelight.light.background import flatten_light
from rakelight.pits.find import build_octaves, find_pits
from rakelight.pits.measure import measure_pits
from rakelight.pits.network import load_weights
from rakelight.pits.sort import KEPT_FROM, sort_candidates
from rakelight.simulate.camera import Camera, aim_camera, photograph
from rakelight.simulate.lamp import Lamp as SceneLamp
from rakelight.simulate.lamp import light_slab
from rakelight.simulate.recipes import HELD_OUT, RECIPES
from rakelight.simulate.slab import Slab, make_slab

FIRST_SEED = 950_000


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


def draw_scene(
    seed: int, *, generators, angle_deg, mm_per_px, limit_mm, size_px=(2000, 1500), deepen=(1, 1),
    is_roughened=False, relief=None, **changes,
) -> Scene:  # fmt: skip
    """Return a scene with all its numbers drawn from the seed."""
    rng = np.random.default_rng([seed, 5])
    pixel = float(rng.uniform(*mm_per_px))
    base = RECIPES[str(rng.choice(list(generators)))]
    drawn = {key: float(rng.uniform(*value)) for key, value in changes.items()}
    if deepen != (1, 1):
        drawn["depth_ratio"] = (base.depth_ratio[0], base.depth_ratio[1] * float(rng.uniform(*deepen)))
    recipe = replace(base, mm_per_px=pixel, size_mm=(size_px[0] * pixel, size_px[1] * pixel), **drawn)
    slab = make_slab(recipe, seed=seed)
    if is_roughened:  # for calibration only; dark paint would make it doubt deep black pits
        roughen(slab, rng, relief=relief, is_painted=False)
    side, angle, spread = (float(rng.uniform(*one)) for one in ((0, 360), angle_deg, (0.3, 1.5)))
    lamp = SceneLamp(side, angle, spread_deg=spread)
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
FINE = {"angle_deg": (10, 20), "mm_per_px": (0.1, 0.165), "limit_mm": (1, 99)}
SMALL = {
    "mm_per_px": (0.06, 0.083), "limit_mm": (0.5, 1), "diameter_median_mm": (0.9, 1.2), "pits_per_m2": (6000, 12000),
}  # fmt: skip
DARK = {"angle_deg": (5, 10), "albedo": (0.1, 0.2), "slope_rms": (0.035, 0.07)}
WIDE = {"size_px": (4700, 4400), "mm_per_px": (0.15, 0.16)}
SETS = {
    # The order of the entries belongs to the scenes: numbers are drawn in it.
    "own": (14, {"generators": TRAINED, **FINE, **FULL, **DISTRACT}),
    "unseen": (14, {"generators": [HELD_OUT], **FINE, **FULL, **DISTRACT}),
    "small": (8, {"generators": [HELD_OUT], **FINE, **SMALL, **DISTRACT}),
    "dark_rough": (10, {"generators": [HELD_OUT], **FINE, **FULL, **DISTRACT, **DARK}),
    "empty": (10, {"generators": [HELD_OUT], **FINE, **NO_PITS, **DISTRACT}),
    "empty_own": (10, {"generators": TRAINED, **FINE, **NO_PITS, **DISTRACT}),
    "wide": (3, {"generators": [HELD_OUT], **FINE, **FULL, **DISTRACT, **WIDE}),
}
COARSE = {
    "generators": TRAINED, "angle_deg": (10, 20), "mm_per_px": (0.3, 0.5), "limit_mm": (1.6, 99),
    "size_px": (1200, 900), "diameter_median_mm": (2.5, 4.0), "pits_per_m2": (300, 1500), **DISTRACT,
}  # fmt: skip
TUNED_ON = {"empty": SETS["unseen"][1], "empty_own": SETS["own"][1], "wide": SETS["unseen"][1], "relit": COARSE}
"""What rivals are tuned on where the set itself has no pits, is large, or has no generator: like it, other seeds."""
WINDOW_MM = (610.0, 610.0)


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
        add_scene(tally, draw_scene(FIRST_SEED + 1000 * list(SETS).index(name) + k, **numbers), finder)
    return tally


def add_scene(tally: Tally, scene: Scene, finder, *, mouth_mm: tuple[float, float] | None = None) -> None:
    """Search one photo and add it to the tally, its worst window too where one fits.

    `mouth_mm` are the limits of what counts as found, where the truth measures something else than the mouth.
    """
    found = finder(scene)
    tally_scene(
        tally, found, scene.pits, scene.marks, area_m2=scene.area_m2, limit_mm=scene.limit_mm, px_mm=scene.mm_per_px,
        mouth_mm=mouth_mm,
    )  # fmt: skip
    face = FaceMap(scene.rgb, np.ones(scene.rgb.shape[:2], bool), scene.mm_per_px)
    if min(face.size_mm) >= WINDOW_MM[0]:
        listed = found[found.confidence >= 0.5]
        positions = place_windows(sum_seen(face), WINDOW_MM)
        counts = [
            int(count_centres(positions, large.x_mm.to_numpy(), large.y_mm.to_numpy()).max())
            for large in (table[table.diameter_mm >= scene.limit_mm[0]] for table in (scene.pits, listed))
        ]
        tally.worst_window.append((counts[0], counts[1]))


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
    """Return two tallies per photo of the re-lit relief: by the size as found, and by its truth's measure.

    The truth gives the deepest part of a hollow, not its mouth, and lists all only from 3.5 px of that. "False" in
    the second tally are those found at 3.5 px and more by the same measure: mouths over the photo's median ratio.
    """
    answers = {}
    for name in ("stained_from_left_el15", "stained_from_top_el15"):
        scene = read_relit(folder, name)
        found = finder(scene)
        answers[name] = tally = Tally()
        add_scene(tally, scene, lambda _, found=found: found)
        low, high = scene.limit_mm
        answers[f"{name}, limit by its truth's measure"] = alike = Tally()
        mouth_mm = (low * (1 + tally.diameter_errors()[0]), high)
        add_scene(alike, scene, lambda _, found=found: found, mouth_mm=mouth_mm)
    return answers


def score_trowelled(folder: Path, finder=find_entries) -> Tally:
    """Return the tally of measured trowelled concrete without any pit, lit from four sides, at two slopes."""
    height = cv2.imread(str(folder / "displacement16.png"), cv2.IMREAD_UNCHANGED).astype(np.float32)
    tone = cv2.imread(str(folder / "colour.png"))[:, :, ::-1].astype(np.float32) / 255
    slope = np.sqrt(np.mean(np.square(np.diff(height, axis=1)))) / 0.5
    nothing = make_slab(replace(RECIPES["caps"], n_pits=0, size_mm=(10, 10)), seed=0)
    rows, cols = height.shape
    empty = np.zeros((rows, cols), np.int32)
    tally = Tally()
    for slope_rms in (0.02, 0.04):
        slab = Slab(
            height * np.float32(slope_rms / slope), tone**2.2, 0.5, nothing.pits, nothing.marks.iloc[:0],
            empty.astype(np.float32), empty,
        )  # fmt: skip
        for side in (0.0, 90.0, 180.0, 270.0):
            rgb = photograph(light_slab(slab, SceneLamp(side, 15.0)), aim_camera(slab, Camera()), seed=int(side))
            scene = Scene(rgb, 0.5, Lamp(side, 15.0, basis="said"), slab.pits, slab.marks, (1.75, 99))
            add_scene(tally, scene, finder)
    return tally


def put_weights(folder: Path) -> None:
    """Judge with other weights than the shipped ones, in this run only."""
    with np.load(folder / "sorter.npz") as packed:
        load_weights().update({name: packed[name].astype(np.float32) for name in packed.files})


def score_rivals(name: str, chosen: argparse.Namespace) -> dict[str, dict[str, Tally]]:
    """Return what each rival, at its best on scenes like the set's with other seeds, makes of the set."""
    numbers = TUNED_ON[name] if name in TUNED_ON else SETS[name][1]

    def score(rival: str) -> dict[str, Tally]:
        return score_any(name, chosen, tune(rival, lambda seed: draw_scene(seed, **numbers)))

    return {rival: keep_tally(chosen.store, f"{name}_{rival}", partial(score, rival)) for rival in RIVALS}


def score_any(name: str, chosen: argparse.Namespace, finder=find_entries) -> dict[str, Tally]:
    """Return the tallies of a set, or of the measured reliefs."""
    return score_relief(chosen.relit, finder) if name == "relit" else {name: score_set(name, finder)}


def keep_tally(store: Path | None, name: str, score) -> dict[str, Tally]:
    """Return what `score()` gives, or what it gave in an earlier run with the same store."""
    kept = store and store / f"{name}.pickle"
    if kept and kept.exists():
        return pickle.loads(kept.read_bytes())
    answer = score()
    if kept:
        kept.parent.mkdir(parents=True, exist_ok=True)
        kept.write_bytes(pickle.dumps(answer))
    return answer


def name_weights() -> str:
    """Return a short name of the weights in use, so that tallies of others are not taken for theirs."""
    weights = load_weights()
    return hashlib.sha256(b"".join(weights[key].tobytes() for key in sorted(weights))).hexdigest()[:12]


def score_relief(folder: Path, finder=find_entries) -> dict[str, Tally]:
    """Return the tallies of the re-lit relief and, where it lies beside it, of trowelled concrete."""
    answers = score_relit(folder, finder)
    trowelled = folder.parent / "no_pits_cc0"
    return {**answers, "trowelled": score_trowelled(trowelled, finder)} if trowelled.exists() else answers


def collect(chosen: argparse.Namespace):
    """Yield (set, finder, tally) one by one."""
    for name in [*chosen.sets, *(["relit"] if chosen.relit else [])]:
        ours = keep_tally(chosen.store, f"{name}_rakelight_{name_weights()}", partial(score_any, name, chosen))
        for who, answers in {"rakelight": ours, **(score_rivals(name, chosen) if chosen.rivals else {})}.items():
            for part, tally in answers.items():
                yield part, who, tally


def main() -> None:
    """Print the tables and, when asked, write them."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sets", nargs="*", default=list(SETS))
    parser.add_argument("--relit", type=Path)
    parser.add_argument("--rivals", action="store_true", help="also what general libraries find")
    parser.add_argument("--store", type=Path, help="folder of tallies, kept and taken: for runs of the same code")
    parser.add_argument("--weights", type=Path, help="folder of other weights than those in place")
    parser.add_argument("--write", action="store_true", help="into results/accuracy.md and README.md")
    chosen = parser.parse_args()
    if chosen.weights:
        put_weights(chosen.weights)
    tallies: dict[str, dict[str, Tally]] = {}
    for name, who, tally in collect(chosen):
        print(row_of(name, who, tally), flush=True)
        tallies.setdefault(name, {})[who] = tally
    print("\n".join(describe_set(name, answers) for name, answers in tallies.items()))
    if chosen.write:
        write_tables(tallies)


if __name__ == "__main__":
    main()
