"""How well colour is read on made-up soft-light photos of known tone.

    python benchmarks/colour.py --seeds 100 --out benchmarks/results/colour.md

Scenes: a 2400 x 700 mm slab (patches: 600 x 400 mm) with card, vignetting, warm cast, a lamp that
falls off, camera noise, sharpening and JPEG, all drawn by chance from the seed; the photo is read from
the JPEG as a photo's file is. Seeds from 1000 on were never looked at while the tool was made.
"""

import argparse
import io
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
from PIL import Image

from rakelight.colour.balance import Blocks, Shoot, reduce_face
from rakelight.colour.difference import measure_dE00
from rakelight.colour.evenface import even_face
from rakelight.colour.jpegcodes import read_jpeg_codes
from rakelight.colour.patches import measure_patches
from rakelight.colour.rounding import read_rounding
from rakelight.colour.sidelight import refuse_side_light
from rakelight.colour.trials import compare_areas, read_area, read_around
from rakelight.colour.uniformity import measure_colour, read_grid
from rakelight.core.errors import ColourError
from rakelight.core.records import FaceMap, Photo
from rakelight.simulate import Camera, choose_recipe, make_slab
from rakelight.simulate import Lamp as SceneLamp
from rakelight.simulate.camera import aim_camera, photograph
from rakelight.simulate.lamp import light_slab, soft_light

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "tests" / "colour"))
from scenes import GREY_MM, draw_blotches, draw_scene, lab_to_linear, save_and_read  # noqa: E402

FIRST_SEED = 1000
DRIFT_DE00 = 2.0
MOTTLED = "mottled by 1.6 L*"
STRIP_MM = (250.0, 80.0, 150.0, 240.0)


def main() -> None:
    """Measure all parts asked for and write the page."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=100)
    parser.add_argument("--parts", nargs="*", default=list(PARTS))
    parser.add_argument("--out", type=Path, default=None)
    asked = parser.parse_args()
    cv2.setNumThreads(2)
    sections = []
    for part in asked.parts:
        sections.append(PARTS[part](range(FIRST_SEED, FIRST_SEED + asked.seeds)))
        print(sections[-1], flush=True)
    if asked.out:
        asked.out.write_text(HEAD.format(n=asked.seeds, first=FIRST_SEED) + "\n".join(sections), encoding="utf-8")


HEAD = """# Colour on made-up soft-light photos

Written by `python benchmarks/colour.py --seeds {n}`; seeds from {first}. Not a statement about real
photos: none with measured colour was at hand.

"""


def take_ways(scene) -> dict[str, Shoot]:
    """Return the three ways of telling lamp from slab."""
    return {
        "white sheet": Shoot(flat=scene.take_white_sheet()),
        "turned slab": Shoot(turned=scene.take(is_turned=True)),
        "one photo": Shoot(),
    }


def judge_paint(scene) -> str:
    """Return the verdict on the painted tone itself: no lamp, no camera, the same limits."""
    shape = scene.shape
    sheet = FaceMap(np.full((*shape, 3), 0.85, np.float32), np.ones(shape, bool), scene.mm_per_px)
    face = FaceMap(lab_to_linear(scene.paint()), np.ones(shape, bool), scene.mm_per_px)
    return measure_colour(face, shoot=Shoot(flat=sheet)).figures["verdict"]


def read_truth(scene) -> pd.DataFrame:
    """Return the painted tone of every cell."""
    face = FaceMap(lab_to_linear(scene.paint()), np.ones(scene.shape, bool), scene.mm_per_px)
    blocks = reduce_face(face)
    return read_grid(blocks.linear, Blocks(blocks.linear, blocks.bare | True, blocks.block_mm, blocks.bare))


def compare_grid(table: pd.DataFrame, truth: pd.DataFrame) -> tuple[float, float, float]:
    """Return dE00 rms after removing the overall offset, and the correlation of L*, whole and without its slope."""
    both = table.merge(truth, on=["x_mm", "y_mm"], suffixes=("", "_true"))
    found, true = both[["L", "a", "b"]].to_numpy(), both[["L_true", "a_true", "b_true"]].to_numpy()
    found = found - np.median(found - true, axis=0)
    gaps = measure_dE00(found, true)
    terms = np.column_stack([np.ones(len(both)), both["x_mm"], both["y_mm"]])
    both_L = np.column_stack([found[:, 0], true[:, 0]])
    level = both_L - terms @ np.linalg.lstsq(terms, both_L, rcond=None)[0]
    r, r_level = (float(np.corrcoef(pair.T)[0, 1]) for pair in (both_L, level))
    return float(np.sqrt(np.mean(np.square(gaps)))), r, r_level


def measure_grids(seeds: range) -> str:
    """Return the tables of grid errors, drift and evenness."""
    return write_grids(collect_grids(seeds), len(seeds))


def collect_grids(seeds: range) -> pd.DataFrame:
    """Return what was found on each scene of each seed by each way, a row each."""
    rows = []
    for seed in seeds:
        tone = draw_scene(seed, is_file=True)
        drift_L = find_drift_L(tone)
        kinds = {
            "even": {}, f"drift {DRIFT_DE00:g} dE00": {"drift_L": drift_L},
            "blotches": {"blotches": draw_blotches(seed)}, MOTTLED: {"mottle_L": 1.6},
        }  # fmt: skip
        for kind, changes in kinds.items():
            scene = replace(tone, **changes)
            truth, photo = read_truth(scene), scene.take()
            painted = judge_paint(scene)
            ways = take_ways(scene)
            for way, shoot in list(ways.items())[: 1 if kind == MOTTLED else None]:
                report = measure_colour(photo, grey=GREY_MM, shoot=shoot)
                rms, r, r_level = compare_grid(report.table, truth)
                drift = report.figures["drift"][0]
                true = DRIFT_DE00 if "drift" in kind else 0.0
                rows.append({
                    "slab": kind, "lamp told by": way, "rms": rms, "r": r, "r_level": r_level,
                    "verdict": drift["verdict"],
                    "covered": drift["low"] <= true <= drift["high"], "error": drift["dE00"] - true,
                    "width": drift["high"] - drift["low"], "all": report.figures["verdict"], "painted": painted,
                })  # fmt: skip
    return pd.DataFrame(rows)


def find_drift_L(scene) -> float:
    """Return the change of L* that is a drift of 2 dE00 at this tone."""
    steps = np.linspace(1.0, 4.0, 301)
    half = np.array([scene.L, scene.a, scene.b]) + np.outer(steps / 2, [1, 0, 0])
    other = np.array([scene.L, scene.a, scene.b]) - np.outer(steps / 2, [1, 0, 0])
    return float(steps[np.argmin(np.abs(measure_dE00(half, other) - DRIFT_DE00))])


def write_grids(rows: pd.DataFrame, n: int) -> str:
    """Return the grid and drift tables as text."""
    lines = [
        "## Grid of 50 mm cells: error of the tone", "",
        "dE00 rms over the cells after removing the overall offset; pooled over the scenes, and the worst scene. "
        "r: correlation of L* with the truth, median and lowest tenth; then with the slope from end to end and from "
        "side to side taken out of both, which is what one photo alone can know.", "",
        "| slab | lamp told by | rms | worst | r | r, lowest tenth | r without slope | lowest tenth |",
        "|---|---|---|---|---|---|---|---|",
    ]  # fmt: skip
    for (kind, way), group in rows.groupby(["slab", "lamp told by"], sort=False):
        pooled = np.sqrt(np.mean(np.square(group["rms"])))
        lines.append(
            f"| {kind} | {way} | {pooled:.2f} | {group['rms'].max():.2f} | {group['r'].median():.3f} | "
            f"{group['r'].quantile(0.1):.3f} | {group['r_level'].median():.3f} | {group['r_level'].quantile(0.1):.3f} |"
        )
    lines += [
        "", f"## Drift from end to end, {n} scenes each", "",
        "| slab | lamp told by | called drift | called even | cannot tell | interval holds the truth | "
        "error (mean, sd) | width of interval |", "|---|---|---|---|---|---|---|---|",
    ]  # fmt: skip
    for (kind, way), group in rows.groupby(["slab", "lamp told by"], sort=False):
        counts = [int((group["verdict"] == name).sum()) for name in ("drift", "even", "cannot_tell")]
        lines.append(
            f"| {kind} | {way} | {counts[0]} | {counts[1]} | {counts[2]} | {int(group['covered'].sum())} | "
            f"{group['error'].mean():+.2f}, {group['error'].std():.2f} | {group['width'].median():.1f} |"
        )
    lines += [
        "", "## Verdict on the whole face", "",
        "Slabs painted without drift or blotch (their mottling alone makes some uneven by the same limits), with two "
        f"blotches each, and {MOTTLED}: the verdict on the painted tone itself stands first.", "",
        "| slab | painted tone is | lamp told by | n | called even | called uneven | cannot tell |",
        "|---|---|---|---|---|---|---|",
    ]  # fmt: skip
    judged = rows[rows["slab"].isin(["even", "blotches", MOTTLED])]
    for (kind, painted, way), group in judged.groupby(["slab", "painted", "lamp told by"], sort=False):
        counts = [int((group["all"] == name).sum()) for name in ("even", "uneven", "cannot_tell")]
        cells = (kind, painted.replace("_", " "), way, len(group), *counts)
        lines.append("| " + " | ".join(map(str, cells)) + " |")
    return "\n".join([*lines, ""])


SIZES_PX = (8, 10, 13, 17, 24, 40)
FILES = (
    (None, ""), (97, "4:2:0"), (92, "4:2:0"), (85, "4:2:0"), (78, "4:2:0"), (92, "4:4:4"), (85, "4:4:4"),
)  # fmt: skip


def draw_patches(seed: int):
    """Return a scene with 50 patches of six sizes and chance tones, and their true dE00."""
    rng = np.random.default_rng([seed, 9])
    places = [(40 + 55 * i, 160 + 45 * j, SIZES_PX[(i + j) % 6] * 0.4) for i in range(10) for j in range(5)]
    patches = tuple(
        (x + rng.uniform(-0.4, 0.4), y + rng.uniform(-0.4, 0.4), d, *rng.uniform((-6, -0.8, -2), (4, 0.8, 2)))
        for x, y, d in places
    )
    scene = draw_scene(seed, size_mm=(600.0, 400.0), mm_per_px=0.4, patches=patches)
    tone = np.array([scene.L, scene.a, scene.b])
    return scene, np.array([float(measure_dE00(tone + patch[3:], tone)) for patch in patches])


def read_files(rgb: np.ndarray, folder: Path):
    """Yield the name of each kind of file, its pixels as read and its rounding; the last is decoded as usual."""
    for quality, subsampling in FILES:
        path = folder / ("soft.png" if quality is None else "soft.jpg")
        if quality is None:
            Image.fromarray(rgb).save(path)
            yield "no JPEG", rgb, read_rounding(path)
            continue
        Image.fromarray(rgb).save(path, quality=quality, subsampling=subsampling)
        yield f"{quality}, {subsampling}", save_and_read(rgb, quality, subsampling), read_rounding(path)
    Image.fromarray(rgb).save(path, quality=92, subsampling="4:2:0")
    yield "92, 4:2:0, decoded as usual", np.asarray(Image.open(path)), read_rounding(path)


def measure_spots(seeds: range) -> str:
    """Return the tables of patch errors by size and file, with places as they are and as they may be told."""
    rows = []
    for seed in list(seeds)[: max(len(seeds) // 5, 1)]:
        scene, truth = draw_patches(seed)
        rng = np.random.default_rng([seed, 10])
        rgb = replace(scene, camera=replace(scene.camera, jpeg_quality=None)).take().rgb
        places = pd.DataFrame([p[:3] for p in scene.patches], columns=["x_mm", "y_mm", "diameter_mm"])
        told = places.assign(
            x_mm=places["x_mm"] + rng.normal(0, 0.28, len(places)),
            y_mm=places["y_mm"] + rng.normal(0, 0.28, len(places)),
            diameter_mm=np.maximum(places["diameter_mm"] * np.exp(rng.normal(0, 0.06, len(places))), 3.2),
        )
        with tempfile.TemporaryDirectory() as folder:
            for kind, pixels, rounding in read_files(rgb, Path(folder)):
                face = FaceMap(pixels, np.ones(pixels.shape[:2], bool), 0.4)
                even = even_face(face, grey=GREY_MM, shoot=Shoot(rounding=rounding))
                for how, table in (("true", places), ("told", told)):
                    found = measure_patches(even, table)
                    rows.append(pd.DataFrame({
                        "photo": kind, "place": how, "px": (places["diameter_mm"] / 0.4).to_numpy(),
                        "error": found["dE00"].to_numpy() - truth, "sd": found["dE00_sd"].to_numpy(),
                    }))  # fmt: skip
    return write_spots(pd.concat(rows))


def write_spots(rows: pd.DataFrame) -> str:
    """Return the patch tables as text."""
    rows["size"] = pd.cut(rows["px"], [0, 12, 20, np.inf], right=False, labels=["8 to 12", "12 to 20", "20 and more"])
    lines = [
        "## Patches: dE00 to the ring", "",
        "Photo: JPEG quality and how its colour is kept, read as the tool reads a file; the last kind is what a usual "
        "decoder's whole codes give. sd: the uncertainty in the table of patches.",
    ]  # fmt: skip
    heads = {
        "true": "Places and diameters as they are.",
        "told": "Places wrong by 0.7 pixels each way and diameters by 6 % (sd).",
    }
    for how, head in heads.items():
        lines += [
            "", head, "",
            "| photo | diameter, px | n | rms error | 95 % below | mean error "
            "| within 0.5 | within 1 sd | within 2 sd |",
            "|---|---|---|---|---|---|---|---|---|",
        ]  # fmt: skip
        chosen = rows[rows["place"] == how]
        groups = list(chosen.groupby(["photo", "size"], sort=False, observed=True)) if how == "true" else []
        groups += [((kind, "all"), group) for kind, group in chosen.groupby("photo", sort=False)]
        for (kind, size), group in sorted(groups, key=lambda item: list(chosen["photo"].unique()).index(item[0][0])):
            off = group["error"].abs()
            figures = (
                f"{np.sqrt(np.mean(np.square(off))):.2f}", f"{off.quantile(0.95):.2f}", f"{group['error'].mean():+.2f}",
                f"{(off <= 0.5).mean():.1%}", f"{(off <= group['sd']).mean():.1%}",
                f"{(off <= 2 * group['sd']).mean():.1%}",
            )  # fmt: skip
            lines.append(f"| {kind} | {size} | {len(group)} | " + " | ".join(figures) + " |")
    return "\n".join([*lines, ""])


def measure_sanding(seeds: range) -> str:
    """Return how often a sanded strip's shift is read the right way."""
    named, wrong, held, ratios = 0, 0, 0, []
    for seed in seeds:
        rng = np.random.default_rng([seed, 4])
        step, grain = rng.choice([-1, 1]) * rng.uniform(0.8, 3), rng.uniform(1.3, 2.5)
        strip = (*STRIP_MM, step, grain)
        scene = draw_scene(seed, size_mm=(600.0, 400.0), mm_per_px=0.5, strip=strip, is_file=True)
        even = even_face(scene.take(), grey=GREY_MM, set_apart=[STRIP_MM])
        answer = compare_areas(read_around(even, STRIP_MM), read_area(even, STRIP_MM), kind="sanded")
        named += answer["direction"] == ("lighter" if step > 0 else "darker")
        wrong += answer["direction"] == ("darker" if step > 0 else "lighter")
        held += abs(answer["dL"] - step) <= 1.96 * answer["dL_sd"]
        ratios.append(answer["grain_ratio"] / grain)
    n = len(seeds)
    return (
        f"## Sanding trial, {n} strips 0.8 to 3 L* lighter or darker\n\n"
        f"Right direction {named}, no clear shift {n - named - wrong}, wrong direction {wrong}. "
        f"Interval of dL holds the truth {held} of {n}. Grain ratio found over painted: median "
        f"{np.median(ratios):.2f} (camera noise and blur are part of both grains).\n"
    )


def measure_refusals(seeds: range) -> str:
    """Return how often raking photos are refused and soft ones taken, by the photo alone."""
    rows = []
    for seed in list(seeds)[: max(len(seeds) // 5, 1)]:
        rng = np.random.default_rng([seed, 6])
        for name in ("caps", "worn", "dishes", "cast_wall", "honed", "bubbles"):
            recipe = replace(choose_recipe(name), size_mm=(600.0, 400.0), mm_per_px=float(rng.choice([0.3, 0.5])))
            slab = make_slab(recipe, seed=seed)
            camera = aim_camera(slab, Camera(defocus_px=rng.uniform(0.5, 1.1), sharpening=rng.uniform(0, 0.7)))
            lights = [("soft", soft_light(slab, gradient=tuple(rng.uniform(-0.6, 0.6, 2)), colour_cast=(1.15, 1, 0.8)))]
            for angle in (8.0, 15.0, 25.0):
                lamp = SceneLamp(from_deg=rng.uniform(0, 360), angle_deg=angle)
                lights.append((f"{angle:g} degrees", light_slab(slab, lamp, ambient=rng.uniform(0.03, 0.3))))
            for light, radiance in lights:
                rgb = photograph(radiance, camera, seed=seed)
                rows.append({"light": light, "face": name, "refused": is_refused(rgb, slab.mm_per_px)})
    table = pd.DataFrame(rows).groupby(["face", "light"], sort=False)["refused"].agg(["sum", "size"]).unstack("light")
    lights = list(dict.fromkeys(row["light"] for row in rows))
    lines = [
        "## Raking photos given for colour: refused by the photo alone", "",
        "| face | " + " | ".join(lights) + " |", "|---|" + "---|" * len(lights),
    ]  # fmt: skip
    for name, row in table.iterrows():
        lines.append(f"| {name} | " + " | ".join(f"{row[('sum', k)]} of {row[('size', k)]}" for k in lights) + " |")
    return "\n".join([*lines, ""])


def is_refused(rgb: np.ndarray, mm_per_px: float) -> bool:
    """Return whether a photo is refused for colour."""
    from rakelight.colour.falloff import find_falloff

    face = FaceMap(rgb, np.ones(rgb.shape[:2], bool), mm_per_px)
    blocks = reduce_face(face)
    try:
        refuse_side_light(face, blocks, find_falloff(blocks, Shoot()), Shoot())
    except ColourError:
        return True
    return False


def measure_speed(_seeds: range) -> str:
    """Return the time of the whole answer on a 12 MP photo against its JPEG decode, best of 7."""
    rng = np.random.default_rng(0)
    small = draw_scene(FIRST_SEED, size_mm=(2400.0, 700.0)).take().rgb
    rgb = cv2.resize(small, (6858, 2000))[:1750]
    rgb = np.clip(rgb + rng.normal(0, 2.5, rgb.shape), 0, 255).astype(np.uint8)
    file = io.BytesIO()
    Image.fromarray(rgb).save(file, "JPEG", quality=92)
    photo = Photo(np.asarray(Image.open(file)), "soft.jpg", "")
    codes = read_jpeg_codes(file.getvalue(), photo)
    face = FaceMap(codes, np.ones(rgb.shape[:2], bool), 0.35)
    ways = {
        "decode, OpenCV": lambda: cv2.imdecode(np.frombuffer(file.getvalue(), np.uint8), cv2.IMREAD_COLOR),
        "decode, Pillow (as photos are read)": lambda: np.asarray(Image.open(file)),
        "measure_colour": lambda: measure_colour(face, grey=GREY_MM),
        "reading the finer colours": lambda: read_jpeg_codes(file.getvalue(), photo),
    }
    times = {name: [] for name in ways}
    for _ in range(7):  # in turn, so that a busy machine hits all of them alike
        for name, way in ways.items():
            start = time.perf_counter()
            way()
            times[name].append(time.perf_counter() - start)
    best = {name: min(values) for name, values in times.items()}
    ratios = [best["measure_colour"] / best[name] for name in list(ways)[:2]]
    listed = ", ".join(f"{name} {value * 1000:.0f} ms" for name, value in best.items())
    return (
        f"## Speed, {rgb.shape[0] * rgb.shape[1] / 1e6:.1f} MP, best of 7, 2 threads\n\n{listed}: "
        f"{ratios[0]:.2f} times OpenCV's decode, {ratios[1]:.2f} times Pillow's.\n"
    )


PARTS = {
    "grid": measure_grids, "patches": measure_spots, "sanding": measure_sanding,
    "refusals": measure_refusals, "speed": measure_speed,
}  # fmt: skip

if __name__ == "__main__":
    main()
