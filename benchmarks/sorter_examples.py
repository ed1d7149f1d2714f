"""Made-up examples for training the sorter: close-ups with what they truly show.

Five of the six made-up generators take part; "bubbles" is held out for testing. Every scene draws
its own face, lamp, camera and lamp error. Run as a script it writes one .npz per scene:

    python benchmarks/sorter_examples.py OUT_FOLDER FIRST_SEED LAST_SEED [--relief FOLDER]
"""

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from scipy.spatial import cKDTree

sys.path.insert(0, str(Path(__file__).parent))
from sorter_faces import DENT_DEEPEST, SHALLOWEST, roughen

from rakelight.core.records import FaceMap
from rakelight.core.records import Lamp as SaidLamp
from rakelight.core.settings import FindSettings
from rakelight.light.background import flatten_light
from rakelight.pits.find import Candidates, build_octaves, find_pits, join_candidates
from rakelight.pits.network import KINDS, N_RAYS, judge_patches
from rakelight.pits.patches import cut_patches, describe_candidates, light_frame
from rakelight.pits.sort import choose_octave, pit_margin
from rakelight.simulate import marks
from rakelight.simulate.camera import Camera, aim_camera, photograph
from rakelight.simulate.lamp import Lamp, light_slab
from rakelight.simulate.recipes import RECIPES
from rakelight.simulate.slab import Slab, make_slab

TRAINING_RECIPES = ("caps", "worn", "dishes", "cast_wall", "honed")
LINE_KINDS = {
    "draw_scratches": "scratch",
    "draw_cracks": "crack",
    "draw_trowel_arcs": "trowel_mark",
    "draw_joint": "joint",
}
NOTHING = KINDS.index("nothing")
MAX_PLAIN = 150  # plain examples kept per scene, and as many again and more that are hard
MAX_HARD = 900
MOST_PER_KIND = (450, 200, 200, 120, 80, 120, 60, 200, 120, 0)
IGNORED = -1


class LineRecorder:
    """Keeps where scratches, cracks, arcs and joints were drawn, which the truth table does not say."""

    def __init__(self) -> None:
        self.masks: list[tuple[str, np.ndarray]] = []
        self.originals = {name: getattr(marks, name) for name in LINE_KINDS}

    def __enter__(self) -> "LineRecorder":
        for name, original in self.originals.items():
            setattr(marks, name, self._wrap(original, LINE_KINDS[name]))
        return self

    def __exit__(self, *_: object) -> None:
        for name, original in self.originals.items():
            setattr(marks, name, original)

    def _wrap(self, original, kind: str):
        def draw(face, *args, **named):
            before = face.height_mm.copy()
            original(face, *args, **named)
            self.masks.append((kind, np.abs(face.height_mm - before) > 0.003))

        return draw


def draw_recipe(rng: np.random.Generator):
    """Return a recipe of a training generator with its numbers drawn anew."""
    base = RECIPES[str(rng.choice(TRAINING_RECIPES))]
    mm_per_px = float(np.exp(rng.uniform(np.log(0.08), np.log(0.5))))
    side = (int(rng.uniform(1000, 1300)), int(rng.uniform(750, 950)))
    per_m2 = 1 / (side[0] * side[1] * (mm_per_px / 1000) ** 2)
    n_pits = rng.choice([0, 100, 250, 400], p=[0.3, 0.25, 0.3, 0.15])
    median = base.diameter_median_mm * float(np.exp(rng.normal(0, 0.3))) * (mm_per_px / 0.15) ** 0.7
    grow = (mm_per_px / 0.15) ** 0.7
    return replace(
        base,
        size_mm=(side[0] * mm_per_px, side[1] * mm_per_px),
        mm_per_px=mm_per_px,
        pits_per_m2=min(n_pits * per_m2, 0.05 / (np.pi / 4 * (median * 1.6) ** 2) * 1e6),
        diameter_median_mm=median,
        smallest_mm=max(0.3, 2.2 * mm_per_px),
        largest_mm=float(rng.uniform(10, 25)),
        diameter_spread=float(rng.uniform(0.4, 1.0)),
        depth_ratio=(
            base.depth_ratio[0] * rng.uniform(0.15, 1.2),
            base.depth_ratio[1] * rng.choice([rng.uniform(0.4, 1.3), 2.5]),
        ),
        cluster_share=float(rng.uniform(0, 0.6)),
        slope_rms=float(np.exp(rng.uniform(np.log(0.006), np.log(0.085)))),
        waves=tuple((float(w * np.exp(rng.normal(0, 0.5))), s) for w, s in base.waves),
        grain_deg=float(rng.uniform(0, 180)),
        albedo=float(rng.uniform(0.12, 0.7)),
        mottling=float(rng.uniform(0.01, 0.12)),
        specks=float(base.specks * rng.uniform(0, 2.5)),
        gloss=float(base.gloss * rng.uniform(0, 2.5)),
        bumps_per_m2=rng.uniform(0, 150) * per_m2,
        bump_mm=(0.8 * grow, 9 * grow),
        stains_per_m2=rng.uniform(0, 200) * per_m2,
        stain_mm=(0.8 * grow, 16 * grow),
        grains_per_m2=rng.uniform(0, 300) * per_m2,
        grain_mm=(0.4 * grow, 2.5 * grow),
        crumbs_per_m2=rng.uniform(0, 80) * per_m2,
        crumb_mm=(0.5 * grow, 2.5 * grow),
        scratches_per_m2=rng.uniform(0, 30) * per_m2,
        n_cracks=int(rng.integers(0, 3)),
        n_trowel_arcs=int(rng.integers(0, 5)),
        joint_share=float(rng.uniform(0.2, 0.8)) if rng.random() < 0.15 else None,
    )


def draw_lamp(rng: np.random.Generator, size_mm: tuple[float, float]) -> Lamp:
    """Return a lamp at any side, far (lamp, sun, window) or near."""
    side, angle = float(rng.uniform(0, 360)), float(np.exp(rng.uniform(np.log(4.5), np.log(38))))
    spread = float(rng.choice([0.0, 0.3, 0.8, 2.0, 6.0], p=[0.15, 0.25, 0.35, 0.15, 0.1]))
    if rng.random() < 0.75:
        return Lamp(side, angle, spread_deg=min(spread, 0.6 * angle))
    reach = max(size_mm) * rng.uniform(0.8, 2.0)
    x = size_mm[0] / 2 + reach * np.sin(np.radians(side))
    y = size_mm[1] / 2 - reach * np.cos(np.radians(side))
    height = reach * np.tan(np.radians(min(angle, 25)))
    return Lamp(x_mm=float(x), y_mm=float(y), height_mm=float(height), spread_deg=min(spread, 2.0))


def draw_camera(rng: np.random.Generator) -> Camera:
    """Return a camera straight above, from crisp to soft, clean to noisy, raw to overworked."""
    if rng.random() < 0.15:  # large sensor on a stand: hardly any noise
        return Camera(
            vignetting=float(rng.uniform(0, 0.2)), defocus_px=float(np.exp(rng.uniform(np.log(0.3), np.log(1.0)))),
            exposure_aim=float(rng.uniform(0.3, 0.5)), read_noise=1e-5, full_well=1e6, sharpening=0.0,
            jpeg_quality=int(rng.integers(90, 99)),
        )  # fmt: skip
    return Camera(
        vignetting=float(rng.uniform(0, 0.35)),
        defocus_px=float(np.exp(rng.uniform(np.log(0.35), np.log(1.7)))),
        motion_px=float(rng.choice([0, 0, 0, rng.uniform(0.5, 2)])),
        motion_deg=float(rng.uniform(0, 180)),
        exposure_aim=float(rng.uniform(0.2, 0.6)),
        read_noise=float(np.exp(rng.uniform(np.log(0.0004), np.log(0.006)))),
        full_well=float(np.exp(rng.uniform(np.log(1500), np.log(12000)))),
        sharpening=float(rng.choice([0, 0.3, 0.6, 1.0])),
        jpeg_quality=int(rng.integers(78, 97)),
    )


def make_scene(seed: int, *, relief: Path | None = None) -> dict[str, np.ndarray]:
    """Return the examples of one scene: patches, numbers and truth arrays of equal length."""
    rng = np.random.default_rng([seed, 77])
    recipe = draw_recipe(rng)
    with LineRecorder() as lines:
        slab = make_slab(recipe, seed=seed)
    blur_px = roughen(slab, rng, relief=relief)
    lamp = draw_lamp(rng, recipe.size_mm)
    radiance = light_slab(slab, lamp, ambient=float(np.exp(rng.uniform(np.log(0.03), np.log(0.4)))))
    rgb = photograph(radiance, aim_camera(slab, draw_camera(rng)), seed=seed)
    flat = flatten_light(FaceMap(rgb, np.ones(rgb.shape[:2], bool), recipe.mm_per_px))
    said = say_lamp(lamp, rng)
    find = FindSettings(smallest_mm=max(2.5 * recipe.mm_per_px, float(rng.uniform(0.4, 1.0))), threshold_noise=3.5)
    octaves = build_octaves(flat, settings=find)
    found = find_pits(octaves, said, recipe.mm_per_px, settings=find)
    seen = see_pits(slab, found)
    pool = join_candidates([found, jitter_truth(slab, octaves, (found, seen), rng)])
    toward, angle = said.at_pit((pool.col + 0.5) * recipe.mm_per_px, (pool.row + 0.5) * recipe.mm_per_px)
    truth = label(pool, toward, slab, (lines.masks, seen, blur_px))
    keep = choose(octaves, pool, truth["kind"], (toward, angle), rng)
    pool, toward, angle = pool.take(keep), toward[keep], angle[keep]
    if rng.random() < 0.25:
        angle = np.full(len(pool), np.nan)
    return {
        "patches": cut_patches(octaves, pool, toward).astype(np.float16),
        "numbers": describe_candidates(pool, angle),
        **{name: values[keep] for name, values in truth.items()},
    }


def say_lamp(lamp: Lamp, rng: np.random.Generator) -> SaidLamp:
    """Return the lamp as a person would state it: some degrees off."""
    if lamp.is_near:
        return SaidLamp(at_mm=(lamp.x_mm, lamp.y_mm, lamp.height_mm), basis="said")
    off = rng.normal(0, 8) if rng.random() < 0.85 else rng.uniform(-35, 35)
    return SaidLamp((lamp.from_deg + off) % 360, lamp.angle_deg * float(np.exp(rng.normal(0, 0.1))), basis="said")


def see_pits(slab: Slab, found: Candidates) -> np.ndarray:
    """Return which true pits show at all: one that no candidate stands on teaches nothing but noise."""
    places = np.column_stack([found.col + 0.5, found.row + 0.5])[found.strength > 4.5] * slab.mm_per_px
    if not len(slab.pits) or not len(places):
        return np.zeros(len(slab.pits), bool)
    gap = cKDTree(places).query(slab.pits[["x_mm", "y_mm"]].to_numpy())[0]
    return gap < 0.5 * slab.pits.diameter_mm.to_numpy()


def jitter_truth(slab: Slab, octaves, looked: tuple[Candidates, np.ndarray], rng: np.random.Generator) -> Candidates:
    """Return candidates laid over the true pits that show, a little or a lot off, as later looks see them."""
    found, seen = looked
    pits = slab.pits[seen & (slab.pits.diameter_mm > 2.4 * slab.mm_per_px)]
    n = len(pits)
    if n == 0 or len(found) == 0:
        return join_candidates([])
    far = rng.choice([0.25, 1.0], size=n)
    size = pits.diameter_mm.to_numpy() / slab.mm_per_px
    wanted = size * np.exp(far * rng.normal(0, 0.3, n))
    octave = choose_octave(octaves, wanted)
    return Candidates(
        (pits.y_mm.to_numpy() / slab.mm_per_px - 0.5 + far * rng.normal(0, 0.2, n) * size).astype(np.float32),
        (pits.x_mm.to_numpy() / slab.mm_per_px - 0.5 + far * rng.normal(0, 0.2, n) * size).astype(np.float32),
        wanted.astype(np.float32),
        np.full(n, 6.0, np.float32),
        noise_by_octave(found, octave),
        octave,
    )


def noise_by_octave(found: Candidates, octave: np.ndarray) -> np.ndarray:
    """Return for each octave wanted the median noise of the candidates found there (or anywhere)."""
    overall = float(np.median(found.noise)) if len(found) else 0.02
    levels = {k: float(np.median(found.noise[found.octave == k])) for k in np.unique(found.octave)}
    return np.array([levels.get(k, overall) for k in octave], np.float32)


def label(pool: Candidates, toward: np.ndarray, slab: Slab, known) -> dict[str, np.ndarray]:
    """Return the truth of every candidate: kind, shift, size, lip, true diameter in px."""
    n, px = len(pool), slab.mm_per_px
    line_masks, seen, blur_px = known
    kind = np.full(n, NOTHING)
    row = np.clip(np.round(pool.row), 0, slab.height_mm.shape[0] - 1).astype(int)
    col = np.clip(np.round(pool.col), 0, slab.height_mm.shape[1] - 1).astype(int)
    for name, mask in line_masks:
        kind[mask[row, col]] = KINDS.index(name)
    answer = {
        "kind": kind,
        "shift": np.zeros((n, 2), np.float32),
        "size": np.zeros(n, np.float32),  # 0: this example teaches no size
        "lip": np.ones((n, N_RAYS), np.float32),
        "true_px": np.zeros(n, np.float32),
    }
    for name in ("grain", "stain", "other", "bump"):
        rows = slab.marks[slab.marks.kind == name]
        match, _ = nearest(pool, rows, px, reach=0.6, ratio=3.0)
        kind[match >= 0] = KINDS.index(name)
        place_truth(answer, pool, toward, rows, match, px)
    match, loose = nearest(pool, slab.pits, px, reach=0.5, ratio=2.2)
    kind[loose] = NOTHING
    answer["size"][loose] = 0
    kind[match >= 0] = KINDS.index("pit")
    place_truth(answer, pool, toward, slab.pits, match, px)
    for i in np.flatnonzero(match >= 0):
        answer["lip"][i] = trace_lip(slab, slab.pits.iloc[match[i]], toward[i])
    kind[(match >= 0) & (answer["true_px"] < 2.0)] = IGNORED
    depth = np.append(tell_depths(slab, blur_px), np.nan)[match]
    kind[(match >= 0) & ((depth < SHALLOWEST) | ~np.append(seen, False)[match])] = IGNORED
    is_dent = (match >= 0) & (depth < DENT_DEEPEST)
    kind[is_dent] = NOTHING
    answer["size"][is_dent] = 0
    # A hollow of the texture itself that is as deep as a pit teaches nothing: nobody listed it.
    kind[(kind == NOTHING) & ~is_dent & (measure_hollows(slab, pool, toward) > DENT_DEEPEST)] = IGNORED
    return {**answer, "kind": kind.astype(np.int8)}


def tell_depths(slab: Slab, blur_px: float) -> np.ndarray:
    """Return depth over diameter of every pit, as the softening of its lip has left it."""
    radius_px = slab.pits.diameter_mm.to_numpy() / 2 / slab.mm_per_px
    left = 1 - np.exp(-0.5 * (radius_px / max(blur_px, 1e-3)) ** 2)
    return left * slab.pits.depth_mm.to_numpy() / slab.pits.diameter_mm.to_numpy()


def measure_hollows(slab: Slab, pool: Candidates, toward: np.ndarray) -> np.ndarray:
    """Return how far the face lies below the chord over each candidate, along the light, over its diameter.

    NaN where a pit reaches in: pieces of pits are no hollows of their own.
    """
    if not len(pool):
        return np.zeros(0)
    along, across = np.linspace(-0.7, 0.7, 29), np.linspace(-0.2, 0.2, 5)[:, None]
    away_row, away_col, right_row, right_col = (step[:, None, None] for step in light_frame(toward))
    size = pool.diameter_px[:, None, None]
    row = pool.row[:, None, None] + size * (along * away_row + across * right_row)
    col = pool.col[:, None, None] + size * (along * away_col + across * right_col)
    shape = (len(pool), -1)
    place = [values.reshape(shape).astype(np.float32) for values in (col, row)]
    height = cv2.remap(slab.height_mm, *place, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    height = height.reshape(row.shape).mean(axis=1)
    chord = height[:, :1] + (height[:, -1:] - height[:, :1]) * np.linspace(0, 1, len(along))
    is_pit = cv2.remap((slab.pit_index > 0).astype(np.float32), *place, cv2.INTER_NEAREST).any(axis=1)
    return np.where(is_pit, np.nan, (chord - height).max(axis=1) / (pool.diameter_px * slab.mm_per_px))


def place_truth(answer, pool: Candidates, toward: np.ndarray, rows, match: np.ndarray, px: float) -> None:
    """Fill in where the matched thing's middle truly is and how large it truly is."""
    hit = np.flatnonzero(match >= 0)
    truth = rows.iloc[match[hit]]
    size = pool.diameter_px[hit]
    answer["true_px"][hit] = truth.diameter_mm.to_numpy() / px
    answer["size"][hit] = answer["true_px"][hit] / size
    d_row = truth.y_mm.to_numpy() / px - 0.5 - pool.row[hit]
    d_col = truth.x_mm.to_numpy() / px - 0.5 - pool.col[hit]
    away_row, away_col, right_row, right_col = light_frame(toward[hit])
    answer["shift"][hit, 0] = (d_row * away_row + d_col * away_col) / size
    answer["shift"][hit, 1] = (d_row * right_row + d_col * right_col) / size


def nearest(pool: Candidates, rows, px: float, *, reach: float, ratio: float):
    """Return for each candidate the row it matches (-1 none) and whether it lies inside any row."""
    match, loose = np.full(len(pool), -1), np.zeros(len(pool), bool)
    best = np.full(len(pool), np.inf)
    places = np.column_stack([pool.row, pool.col])
    for k, (y, x, d) in enumerate(zip(rows.y_mm, rows.x_mm, rows.diameter_mm, strict=True)):
        gap = np.hypot(places[:, 0] - (y / px - 0.5), places[:, 1] - (x / px - 0.5)) / (d / px)
        off = pool.diameter_px / (d / px)
        loose |= gap < 0.6
        fits = (gap < reach) & (off < ratio) & (off > 1 / ratio) & (gap < best)
        match[fits], best[fits] = k, gap[fits]
    return match, loose


def trace_lip(slab: Slab, pit, toward_deg: float) -> np.ndarray:
    """Return the distance to the lip in 16 directions, over its root mean square."""
    away_row, away_col, right_row, right_col = (float(v[0]) for v in light_frame(np.array([toward_deg])))
    inside = slab.pit_index == int(pit.truth_id)
    centre = (pit.y_mm / slab.mm_per_px - 0.5, pit.x_mm / slab.mm_per_px - 0.5)
    reach = 0.75 * pit.length_mm / slab.mm_per_px + 2
    steps = np.linspace(0, reach, 80)
    angle = np.arange(N_RAYS) * (2 * np.pi / N_RAYS)
    row = centre[0] + np.outer(np.cos(angle) * away_row + np.sin(angle) * right_row, steps)
    col = centre[1] + np.outer(np.cos(angle) * away_col + np.sin(angle) * right_col, steps)
    top, left = int(centre[0] - reach) - 2, int(centre[1] - reach) - 2
    size = int(2 * reach) + 5
    window = np.zeros((size, size), np.float32)
    y0, x0 = max(top, 0), max(left, 0)
    crop = inside[y0 : max(top + size, 0), x0 : max(left + size, 0)]
    window[y0 - top : y0 - top + crop.shape[0], x0 - left : x0 - left + crop.shape[1]] = crop
    seen = cv2.remap(window, (col - left).astype(np.float32), (row - top).astype(np.float32), cv2.INTER_LINEAR)
    out = np.cumsum(seen < 0.5, axis=1) > 0
    radius = np.where(out.any(axis=1), steps[out.argmax(axis=1)], reach)
    radius = np.maximum(radius, 0.35)
    return (radius / np.sqrt(np.mean(radius**2))).astype(np.float32)


def choose(octaves, pool: Candidates, kind: np.ndarray, light, rng: np.random.Generator) -> np.ndarray:
    """Return which candidates become examples: pits, marks, and of the plain rest the hard and a share.

    Hard are those that the weights shipped so far find at all likely to be pits; without weights
    the share alone is taken.
    """
    chosen = [rng.permutation(np.flatnonzero(kind == k))[:most] for k, most in enumerate(MOST_PER_KIND)]
    plain = np.flatnonzero(kind == NOTHING)
    try:
        patches = cut_patches(octaves, pool.take(plain), light[0][plain])
        answer = judge_patches(patches, describe_candidates(pool.take(plain), light[1][plain]))
        hard = plain[pit_margin(answer.logits) > -5.0]
    except FileNotFoundError:
        hard = plain[:0]
    return np.unique(np.concatenate([*chosen, rng.permutation(plain)[:MAX_PLAIN], hard[:MAX_HARD]]))


def main() -> None:
    """Write the examples of the seeds asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("out", type=Path)
    parser.add_argument("first", type=int)
    parser.add_argument("last", type=int)
    parser.add_argument("--relief", type=Path, help="folder of normal maps of natural surfaces")
    chosen = parser.parse_args()
    cv2.setNumThreads(1)
    chosen.out.mkdir(parents=True, exist_ok=True)
    for seed in range(chosen.first, chosen.last):
        np.savez(chosen.out / f"{seed:05d}.npz", **make_scene(seed, relief=chosen.relief))


if __name__ == "__main__":
    main()
