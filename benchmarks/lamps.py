"""What does a second lamp gain? The same faces lit from one side, and from two.

    python benchmarks/lamps.py                               made-up faces of the held-out generator
    python benchmarks/lamps.py --relit FOLDER                and the re-lit real relief, left and top
    python benchmarks/lamps.py --calibrate                   finds the weight of the pooled odds (other generators)

Every pair of photos is of one face from one camera place, the second moved by a hand: 1 to 3 mm and up to
0.3 degrees. Seeds from 920 000 for the test, from 720 000 for the weight.
"""

import argparse
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))
from accuracy import DISTRACT, FULL, TRAINED, read_relit
from scoring import Tally, match, tally_scene
from sorter_faces import roughen

from rakelight.core.records import FaceMap, Lamp, Scale
from rakelight.core.settings import FindSettings
from rakelight.light.background import flatten_light
from rakelight.pits.depth import bound_depths
from rakelight.pits.find import build_octaves, find_pits
from rakelight.pits.lamps import LampView, Pooled, measure_depths, pool_chances, pool_lamps
from rakelight.pits.measure import measure_pits
from rakelight.pits.sort import Sorted, sort_candidates
from rakelight.simulate.camera import Camera, aim_camera, photograph
from rakelight.simulate.lamp import Lamp as SceneLamp
from rakelight.simulate.lamp import light_slab
from rakelight.simulate.recipes import HELD_OUT, RECIPES
from rakelight.simulate.slab import make_slab

TEST_SEED, WEIGHT_SEED = 920_000, 720_000
SIZE_PX = (1300, 1000)
LISTED_FROM = 0.05
COARSE = {
    "mm_per_px": (0.3, 0.5),
    "limit_mm": (1.6, 99),
    "diameter_median_mm": (2.5, 4.0),
    "pits_per_m2": (300, 1500),
}


@dataclass(frozen=True)
class Pair:
    """Photos of one face under two lamps, with the truth."""

    rgbs: tuple[np.ndarray, ...]
    lamps: tuple[Lamp, ...]
    mm_per_px: float
    pits: pd.DataFrame
    marks: pd.DataFrame
    limit_mm: tuple[float, float] = (1, 99)

    @property
    def area_m2(self) -> float:
        """Area the photos show."""
        return self.rgbs[0].shape[0] * self.rgbs[0].shape[1] * (self.mm_per_px / 1000) ** 2


HEAD = (
    "| faces | pits | precision | recall | F1 | false per 0.1 m2 | stains called pits "
    "| calibration | false pits are |\n"
    "|---|---|---|---|---|---|---|---|---|"
)
DEPTH_HEAD = (
    "| faces | pits found | with two shadows | least depth of one lamp / true | error | depth of both / true | error "
    "| 8 in 10 lie within |\n|---|---|---|---|---|---|---|---|"
)


def draw_pair(
    seed: int,
    *,
    apart_deg: float,
    generators,
    mm_per_px=(0.11, 0.165),
    limit_mm=(1, 99),
    is_roughened=False,
    **changes,
) -> Pair:
    """Return a face lit from two sides that lie `apart_deg` apart, all its numbers drawn from the seed."""
    rng = np.random.default_rng([seed, 7])
    pixel = float(rng.uniform(*mm_per_px))
    drawn = {key: float(rng.uniform(*value)) for key, value in (FULL | DISTRACT | changes).items()}
    base = RECIPES[str(rng.choice(list(generators)))]
    slab = make_slab(
        replace(base, mm_per_px=pixel, size_mm=(SIZE_PX[0] * pixel, SIZE_PX[1] * pixel), **drawn),
        seed=seed,
    )
    if is_roughened:  # for the weight only
        roughen(slab, rng)
    side = float(rng.uniform(0, 360))
    camera = Camera(
        vignetting=0.15,
        defocus_px=float(rng.uniform(0.5, 1.0)),
        full_well=6000.0,
        sharpening=0.3,
        jpeg_quality=92,
    )
    rgbs, lamps = [], []
    for k, from_deg in enumerate((side, (side + apart_deg) % 360)):
        lamp = SceneLamp(from_deg, float(rng.uniform(10, 20)), spread_deg=0.8)
        rgb = photograph(
            light_slab(slab, lamp, ambient=0.12), aim_camera(slab, camera), seed=seed + k
        )
        rgbs.append(shake(rgb, rng, pixel) if k else rgb)
        lamps.append(Lamp(float((from_deg + rng.normal(0, 6)) % 360), lamp.angle_deg, basis="said"))
    return Pair(tuple(rgbs), tuple(lamps), pixel, slab.pits, slab.marks, limit_mm)


def shake(rgb: np.ndarray, rng: np.random.Generator, mm_per_px: float) -> np.ndarray:
    """Return a photo moved by 1 to 3 mm and turned by up to 0.3 degrees."""
    way, step = rng.uniform(0, 2 * np.pi), rng.uniform(1, 3) / mm_per_px
    matrix = cv2.getRotationMatrix2D(
        (rgb.shape[1] / 2, rgb.shape[0] / 2), rng.uniform(-0.3, 0.3), 1.0
    )
    matrix[:, 2] += step * np.array([np.cos(way), np.sin(way)])
    return cv2.warpAffine(
        rgb, matrix, rgb.shape[1::-1], flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT
    )


def look(pair: Pair, k: int) -> LampView:
    """Return what one photo of a pair shows by itself."""
    find = FindSettings(smallest_mm=pair.limit_mm[0])
    face = FaceMap(pair.rgbs[k], np.ones(pair.rgbs[k].shape[:2], bool), pair.mm_per_px)
    flat = flatten_light(face)
    octaves = build_octaves(flat, settings=find)
    found = find_pits(octaves, pair.lamps[k], pair.mm_per_px, settings=find)
    return LampView(
        octaves, flat, pair.lamps[k], sort_candidates(octaves, found, pair.lamps[k], pair.mm_per_px)
    )


def list_pits(pair: Pair, view: LampView, entries: Sorted) -> pd.DataFrame:
    """Return the pit table of entries, every confidence included."""
    face = FaceMap(pair.rgbs[0], np.ones(pair.rgbs[0].shape[:2], bool), pair.mm_per_px)
    scale = Scale("mm_per_px", pair.mm_per_px, 0.0, np.eye(3), face.size_mm)
    chosen = entries.take(entries.confidence >= LISTED_FROM)
    return measure_pits(chosen, face, view.flat, view.lamp, scale=scale).pits


def add(tally: Tally, pair: Pair, pits: pd.DataFrame) -> None:
    """Add one scene to a tally."""
    tally_scene(
        tally,
        pits,
        pair.pits,
        pair.marks,
        area_m2=pair.area_m2,
        limit_mm=pair.limit_mm,
        px_mm=pair.mm_per_px,
    )


def collect_depths(
    pair: Pair, views: list[LampView], pooled: Pooled, rows: list[tuple[float, ...]]
) -> None:
    """Add (true, by one lamp, by both, whether both support it) of every pit found."""
    entries = pooled.entries.take(pooled.entries.confidence > 0.5)
    both, is_from_lamps = measure_depths(entries, views, pooled.registrations)
    angle_deg = np.full(len(entries.candidates), pair.lamps[0].angle_deg)
    one = bound_depths(views[0].flat, entries, angle_deg)
    c = entries.candidates
    found = pd.DataFrame(
        {
            "x_mm": (c.col + 0.5) * pair.mm_per_px,
            "y_mm": (c.row + 0.5) * pair.mm_per_px,
            "diameter_mm": c.diameter_px * pair.mm_per_px,
        }
    )
    truth = match(found, pair.pits)
    depth = pair.pits["depth_mm"].to_numpy()
    rows += [
        (depth[t], a, b, float(from_lamps))
        for t, a, b, from_lamps in zip(truth, one, both, is_from_lamps, strict=True)
        if t >= 0
    ]


def score(name: str, pairs, lines: list[str], depths: list[str]) -> None:
    """Add the lines of one set: the first lamp, the second, both."""
    tallies = [Tally(), Tally(), Tally()]
    moved, rows = [], []
    for pair in pairs:
        views = [look(pair, one) for one in range(2)]
        pooled = pool_lamps(views)
        moved.append(pooled.registrations[0])
        add(tallies[0], pair, list_pits(pair, views[0], views[0].entries))
        if len(pair.pits) and name.startswith("relit"):
            add(tallies[1], pair, list_pits(pair, views[1], views[1].entries))
        add(tallies[2], pair, list_pits(pair, views[0], pooled.entries))
        if "depth_mm" in pair.pits:
            collect_depths(pair, views, pooled, rows)
    for lamp, tally in zip(("one lamp", "the other lamp", "both lamps"), tallies, strict=True):
        if tally.area_m2:
            lines.append(line_of(f"{name}: {lamp}", tally))
            print(lines[-1], flush=True)
    n_laid = sum(one.n_pairs > 0 for one in moved)
    residual_px = np.nanmean([one.residual_px for one in moved]) if n_laid else np.nan
    print(f"  laid on each other: {n_laid} of {len(moved)}, residual {residual_px:.2f} px")
    if rows:
        depths.append(depth_line(name, np.array(rows)))
        print(depths[-1])


def line_of(name: str, tally: Tally) -> str:
    """Return one line of the table."""
    kinds = ", ".join(
        f"{kind} {n}" for kind, n in sorted(tally.false_kinds.items(), key=lambda item: -item[1])
    )
    n_stains, error = tally.false_kinds.get("stain", 0), tally.calibration_error()
    return (
        f"| {name} | {tally.hits + tally.misses} | {tally.precision:.3f} | {tally.recall:.3f} | {tally.f1:.3f} "
        f"| {tally.false_per_tenth_m2:.1f} | {n_stains} | {error:.3f} | {kinds} |"
    )


def depth_line(name: str, rows: np.ndarray) -> str:
    """Return one line on depths over the truth where two shadows support them: one lamp's least depth, and both."""
    true, one, both, from_lamps = rows.T
    use = (from_lamps > 0) & np.isfinite(one) & np.isfinite(both)
    a, b = one[use] / true[use], both[use] / true[use]
    errors = [f"{np.median(ratio):.2f} | {np.median(np.abs(ratio - 1)):.0%}" for ratio in (a, b)]
    spread = f"{np.percentile(b, 10):.2f} to {np.percentile(b, 90):.2f}"
    return f"| {name} | {len(true)} | {use.sum()} | {errors[0]} | {errors[1]} | {spread} |"


def calibrate() -> None:
    """Print the weight and the offset of pooled log odds that fit made-up faces of the training generators."""
    chances, real = [], []
    for k in range(24):
        coarse = COARSE if k % 3 else {}
        pair = draw_pair(
            WEIGHT_SEED + k,
            apart_deg=(180, 90)[k % 2],
            generators=TRAINED,
            is_roughened=True,
            **coarse,
        )
        views = [look(pair, one) for one in range(2)]
        pooled = pool_lamps(views)
        found = list_pits(
            pair,
            views[0],
            replace(pooled.entries, confidence=np.ones(len(pooled.entries.candidates))),
        )
        keep = found["diameter_mm"].to_numpy() >= pair.limit_mm[0]
        chances.append(pooled.chances[keep])
        real.append((match(found, pair.pits) >= 0)[keep])
    chance, is_real = np.concatenate(chances), np.concatenate(real).astype(float)
    odds = np.log(np.clip(chance, 2e-3, 1 - 2e-3) / (1 - np.clip(chance, 2e-3, 1 - 2e-3))).sum(
        axis=1
    )
    terms, beta = np.column_stack([odds, np.ones_like(odds)]), np.array([0.7, 0.0])
    for _ in range(50):
        p = 1 / (1 + np.exp(-terms @ beta))
        beta += np.linalg.solve(
            terms.T @ (terms * (p * (1 - p))[:, None]) + 1e-6 * np.eye(2), terms.T @ (is_real - p)
        )
    print(
        f"weight {beta[0]:.3f}, offset {beta[1]:.3f}, from {len(odds)} finds of which {int(is_real.sum())} are pits"
    )
    print(
        "mean chance",
        pool_chances(chance, pooled=(beta[0], beta[1])).mean(),
        "share real",
        is_real.mean(),
    )


def main() -> None:
    """Print the tables, and write them where asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--relit", type=Path)
    parser.add_argument("--calibrate", action="store_true")
    parser.add_argument("--n", type=int, default=8, help="faces per set")
    parser.add_argument("--out", type=Path)
    chosen = parser.parse_args()
    if chosen.calibrate:
        calibrate()
        return
    lines, depths = [HEAD], [DEPTH_HEAD]
    sets = (
        ("opposite lamps", 180.0, {}), ("lamps at a right angle", 90.0, {}),
        ("rough, opposite", 180.0, {"slope_rms": (0.05, 0.09)}),
        ("no pits, opposite", 180.0, {"pits_per_m2": (0, 0)}),
    )  # fmt: skip
    for index, (name, apart, changes) in enumerate(sets):
        seeds = range(TEST_SEED + 100 * index, TEST_SEED + 100 * index + chosen.n)
        score(
            name,
            (draw_pair(seed, apart_deg=apart, generators=[HELD_OUT], **changes) for seed in seeds),
            lines,
            depths,
        )
    if chosen.relit:
        left, top = (
            read_relit(chosen.relit, name)
            for name in ("stained_from_left_el15", "stained_from_top_el15")
        )
        for words, first, other in (("left and top", left, top), ("top and left", top, left)):
            lit = (first.rgb, other.rgb), (first.lamp, other.lamp)
            pair = Pair(*lit, 0.5, left.pits, left.marks, left.limit_mm)
            score(f"relit real relief, {words}", [pair], lines, depths)
    if chosen.out:
        chosen.out.write_text("\n".join([*lines, "", *depths]) + "\n")


if __name__ == "__main__":
    main()
