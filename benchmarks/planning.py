"""Does the plan hold, what does it cost, how long does it take, and do the ranges hold the truth?

    python benchmarks/planning.py                      everything but the photos, about two minutes
    python benchmarks/planning.py --parts top sizes    only some parts
    python benchmarks/planning.py --parts photos       100 made-up photos through the whole path

Writes `benchmarks/results/planning.md`. Times are wall-clock and processor seconds, because a
busy machine stretches the first and leaves the second.
"""

import argparse
import os
import platform
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from rakelight.core.records import PIT_COLUMNS, FaceMap, Lamp, make_table
from rakelight.core.settings import GradeSettings, RepairSettings
from rakelight.grade.agreed import parse_agreed
from rakelight.grade.classify import grade_face
from rakelight.grade.regions import list_regions, value_of_limit
from rakelight.grade.windows import sum_seen
from rakelight.repair.choose import coat_everything, fill_everything, find_least_cost
from rakelight.repair.limits import watch_limits
from rakelight.repair.options import read_plan_pits
from rakelight.repair.plan import plan_repair
from rakelight.repair.problem import build_problem

RESULTS = Path(__file__).parent / "results" / "planning.md"
FIRST_SEED = 760_000  # used by no training, tuning or test
N_FILLINGS = 200
TERMS = {
    "0.6 % open area (2-15 mm) in any 500 mm": "smallest_mm = 2\narea_percent = 0.6",
    "0.3 % open area": "smallest_mm = 2\narea_percent = 0.3",
    "0.15 % open area": "smallest_mm = 2\narea_percent = 0.15",
    "6 pits per square foot": "smallest_mm = 2\nper_ft2 = 6",
    "2 pits per square foot": "smallest_mm = 2\nper_ft2 = 2",
}


def make_top(seed, size_mm, *, n_areas, even_per_m2=40.0, crowd_per_m2=900.0, mm_per_px=1.0):
    """Return pits and face of a top with round pitting areas on a thin even scatter."""
    rng = np.random.default_rng(seed)
    width, height = size_mm
    n_even = rng.poisson(even_per_m2 * width * height / 1e6)
    x, y = [rng.uniform(8, width - 8, n_even)], [rng.uniform(8, height - 8, n_even)]
    for _ in range(n_areas):
        centre = rng.uniform(0.1, 0.9) * width, rng.uniform(0.1, 0.9) * height
        radius = rng.uniform(150, 300)
        n = rng.poisson(crowd_per_m2 * np.pi * radius**2 / 1e6)
        angle, far = rng.uniform(0, 2 * np.pi, n), radius * np.sqrt(rng.random(n))
        x.append(centre[0] + far * np.cos(angle))
        y.append(centre[1] + far * np.sin(angle))
    x, y = np.concatenate(x), np.concatenate(y)
    on_face = (x > 8) & (x < width - 8) & (y > 8) & (y < height - 8)
    x, y = x[on_face], y[on_face]
    diameter = np.clip(rng.lognormal(np.log(2.8), 0.5, len(x)), 1.0, 18.0)
    shape = round(height / mm_per_px), round(width / mm_per_px)
    face = FaceMap(np.zeros((*shape, 3), np.uint8), np.ones(shape, bool), mm_per_px)
    return make_pits(x, y, diameter), face


def make_pits(x, y, diameter, **columns):
    """Return a pit table."""
    values = {
        "pit_id": np.arange(1, len(x) + 1),
        "x_mm": x,
        "y_mm": y,
        "diameter_mm": diameter,
        "length_mm": diameter * 1.1,
        "width_mm": diameter * 0.9,
        "area_mm2": np.pi * diameter**2 / 4,
        "volume_mm3": np.pi * diameter**3 / 12,
        "confidence": np.ones(len(x)),
        "depth_basis": ["unknown"] * len(x),
        "diameter_sd_mm": np.full(len(x), 0.1),
    }
    return make_table(PIT_COLUMNS, values | columns)


def simulate_filling(problem, choice, region, limit, rng, *, n_times, passes):
    """Return the share of simulated fillings after which every window keeps the limit.

    Every treated pit is closed with the stated chance per pass; after each pass the open ones
    are treated again, as the order of work says.
    """
    treated = problem.left_open(choice) < 1
    settings = problem.settings
    kept = 0
    for _ in range(n_times):
        is_open = np.ones(len(treated), bool)
        for _ in range(passes):
            closes = rng.random(len(treated)) < settings.closed_per_pass
            is_open &= ~(treated & closes)
        values, positions = value_of_limit(region, limit, is_open[region.rows].astype(float))
        kept += values[positions.is_used].max() <= limit.limit * (1 + 1e-9)
    return kept / n_times


def measure_top(lines):
    """The 3.2 x 1.0 m top with three pitting areas: limit kept, cost against the plain ways."""
    pits, face = make_top(FIRST_SEED, (3200.0, 1000.0), n_areas=3)
    grade = grade_face(pits, face, smallest_countable_mm=1.0)
    zones = [
        {"name": "B", "kind": "pour", "x_mm": 0, "y_mm": 0, "width_mm": 1300, "height_mm": 1000}
    ]
    lines += [
        "## A 3.2 x 1.0 m top with three pitting areas",
        f"{len(pits)} pits, two pour zones, 300 mm fields. Cost in minutes of hand time plus penalty.",
        f"Fills simulated {N_FILLINGS} times: each pass closes nine in ten, as many passes as planned.",
        "",
        "| agreed | worst before | worst after (expected) | passes | fillings that keep every window |"
        " cost | fill all | coat all | quick | gap | s wall | s processor |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name, terms in TERMS.items():
        agreed = parse_agreed(terms)
        start, used = time.monotonic(), time.process_time()
        plan = plan_repair(pits, face, grade, zones=zones, agreed=agreed)
        wall, processor = time.monotonic() - start, time.process_time() - used
        problem, solution, others, region, limit = _solve_again(pits, face, zones, agreed)
        rng = np.random.default_rng(1)
        passes = plan.figures["passes"]
        kept = simulate_filling(
            problem, solution.choice, region, limit, rng, n_times=N_FILLINGS, passes=passes
        )
        one = plan.figures["limits"][0]
        lines.append(
            f"| {name} | {one['before']:.3g} | {one['after']:.3g} | {passes} | {kept:.1%} | "
            f"{solution.cost:.1f} | {others[0]:.1f} | {others[1]:.1f} | {others[2]:.1f} | "
            f"{solution.gap:.2%} | {wall:.2f} | {processor:.2f} |"
        )
    lines.append("")


def _solve_again(pits, face, zones, agreed):
    """The choice behind a plan, and what the plain ways cost."""
    seen, plan_pits = sum_seen(face), read_plan_pits(pits)
    problem = build_problem(plan_pits, seen, zones=zones, settings=RepairSettings())
    regions = list_regions(agreed, plan_pits.arrays, seen)
    watches = watch_limits(regions, margin=problem.settings.plan_margin_share)
    solution = find_least_cost(problem, watches)
    others = [
        problem.cost(fill_everything(problem)),
        problem.cost(coat_everything(problem)),
        find_least_cost(problem, watches, seconds=0).cost,
    ]
    return problem, solution, others, regions[0], regions[0].limits[0]


def measure_sizes(lines):
    """The whole planning step for about 100 and 600 fields."""
    lines += [
        "## Time of the whole planning step",
        "",
        "| fields | face | pits | agreed | cost | gap | windows watched | s wall | s processor |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    cases = ((100, (3000.0, 3000.0), 6), (600, (9000.0, 6000.0), 30))
    for n_fields, size_mm, n_areas in cases:
        pits, face = make_top(FIRST_SEED + n_fields, size_mm, n_areas=n_areas, mm_per_px=2.0)
        grade = grade_face(pits, face, smallest_countable_mm=1.0, schemes=("dbv_p",))
        for name in list(TERMS)[1:4:2]:
            start, used = time.monotonic(), time.process_time()
            plan = plan_repair(pits, face, grade, agreed=parse_agreed(TERMS[name]))
            wall, processor = time.monotonic() - start, time.process_time() - used
            figures = plan.figures
            lines.append(
                f"| {len(plan.fields)} | {size_mm[0] / 1000:g} x {size_mm[1] / 1000:g} m | "
                f"{len(pits)} | {name} | {figures['cost']:.1f} | {figures['gap']:.2%} | "
                f"{figures['n_windows']} | {wall:.1f} | {processor:.1f} |"
            )
    lines.append("")


def survey_truth(rng, x, y, diameter, *, smallest, size_mm):
    """Return what a photo would list of true pits: misses, size errors, false pits."""
    found = rng.random(len(diameter)) > 0.1 * np.minimum(1.0, (smallest / diameter) ** 2)
    found &= diameter >= 0.8 * smallest
    sd = 0.05 * diameter + 0.1
    shared = np.sqrt(0.5) * rng.standard_normal()
    measured = diameter + sd * (shared + np.sqrt(0.5) * rng.standard_normal(len(diameter)))
    measured = np.maximum(measured, 0.2)
    n_false = rng.poisson(0.04 * found.sum())
    false_mm = rng.uniform(smallest, 2.5 * smallest, n_false)
    return make_pits(
        np.r_[x[found], rng.uniform(5, size_mm[0] - 5, n_false)],
        np.r_[y[found], rng.uniform(5, size_mm[1] - 5, n_false)],
        np.r_[measured[found], false_mm],
        confidence=np.r_[rng.uniform(0.9, 1.0, found.sum()), rng.uniform(0.5, 0.7, n_false)],
        diameter_sd_mm=np.r_[sd[found], 0.05 * false_mm + 0.1],
    )


def measure_ranges(lines, *, n=100):
    """100 made-up surveys of slabs of known truth: is the true class inside the printed range?"""
    size_mm = (1400.0, 800.0)
    shape = round(size_mm[1] / 2), round(size_mm[0] / 2)
    face = FaceMap(np.zeros((*shape, 3), np.uint8), np.ones(shape, bool), 2.0)
    schemes = ("aci_svr", "dbv_p", "oenorm_p")
    settings = GradeSettings(window_step_mm=4.0)
    inside, exact = dict.fromkeys(schemes, 0), dict.fromkeys(schemes, 0)
    touched = {name: [] for name in schemes}
    for k in range(n):
        rng = np.random.default_rng(FIRST_SEED + 1000 + k)
        count = rng.poisson(rng.uniform(50, 900))
        x, y = rng.uniform(8, size_mm[0] - 8, count), rng.uniform(8, size_mm[1] - 8, count)
        diameter = np.clip(rng.lognormal(np.log(rng.uniform(1.5, 3.5)), 0.5, count), 0.5, 20)
        smallest = float(rng.uniform(0.8, 2.8))
        common = {"schemes": schemes, "settings": settings}
        true = grade_face(make_pits(x, y, diameter), face, smallest_countable_mm=0.1, **common)
        listed = survey_truth(rng, x, y, diameter, smallest=smallest, size_mm=size_mm)
        found = grade_face(listed, face, smallest_countable_mm=smallest, **common)
        for one, other in zip(true.grades, found.grades, strict=True):
            inside[one.scheme] += one.class_name in other.range
            exact[one.scheme] += one.class_name == other.class_name
            touched[one.scheme].append(len(other.range))
    lines += [
        f"## Is the true class inside the printed range? {n} made-up surveys",
        "Misses near the smallest size, size errors half shared by the photo, 4 % false pits,"
        " smallest countable size .8 to 2.8 mm.",
        "",
        "| scheme | true class inside | true class named outright | classes per range, mean |",
        "| --- | --- | --- | --- |",
    ]
    for name in schemes:
        lines.append(
            f"| {name} | {inside[name]} of {n} | {exact[name]} of {n} | {np.mean(touched[name]):.2f} |"
        )
    lines.append("")


def measure_photos(lines, *, n=100):
    """Made-up photos through the whole path: the class of the truth against the printed range."""
    sys.path.insert(0, str(Path(__file__).parent))
    from accuracy import DISTRACT, HELD_OUT, TRAINED, draw_scene
    from PIL import Image

    from rakelight.inspection import Given, inspect_photo

    schemes = ("aci_svr", "dbv_p", "oenorm_p", "sp70")
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for k in range(n):
            scene = draw_scene(
                FIRST_SEED + 5000 + k, generators=[*TRAINED, HELD_OUT], angle_deg=(10, 20),
                mm_per_px=(0.12, 0.2), limit_mm=(1, 99), size_px=(2000, 1500),
                pits_per_m2=(300, 4000), diameter_median_mm=(1.4, 3.0), **DISTRACT,
            )  # fmt: skip
            path = Path(folder) / "photo.png"
            Image.fromarray(scene.rgb).save(path)
            lamp = Lamp(scene.lamp.from_deg, scene.lamp.angle_deg, basis="said")
            given = Given(mm_per_px=scene.mm_per_px, lamp=lamp, schemes=schemes)
            seen = inspect_photo(path, given)
            true = grade_face(
                _truth_table(scene.pits), seen.face, smallest_countable_mm=0.1, schemes=schemes
            )
            for one, other in zip(true.grades, seen.grade.grades, strict=True):
                rows.append(
                    {
                        "scheme": one.scheme,
                        "inside": one.class_name in other.range,
                        "exact": one.class_name == other.class_name,
                        "n_range": len(other.range),
                        "true": one.value,
                        "found": other.value,
                        "verdict": seen.quality.verdict,
                    }
                )
            print(k, [(r["scheme"], r["inside"]) for r in rows[-4:]], flush=True)
    table = pd.DataFrame(rows)
    lines += [
        f"## The same through the whole path: {n} made-up photos, {n // 6} of six with a generator no setting saw",
        "Photos of about 320 x 240 mm (the window falls back to the whole face), .12 to .2 mm per"
        " pixel, lamp at 10 to 20 degrees, stains, bumps and trowel marks.",
        "",
        "| scheme | true class inside | true class named outright | classes per range, mean |"
        " found / true figure, median |",
        "| --- | --- | --- | --- | --- |",
    ]
    for name, part in table.groupby("scheme", sort=False):
        ratio = (part["found"] / part["true"]).replace(np.inf, np.nan).median()
        lines.append(
            f"| {name} | {part['inside'].sum()} of {n} | {part['exact'].sum()} of {n} | "
            f"{part['n_range'].mean():.2f} | {ratio:.2f} |"
        )
    lines.append("")


def _truth_table(truth):
    """The truth of a made-up slab as a pit table with known depths."""
    table = {
        name: truth[name].to_numpy(float)
        for name in ("x_mm", "y_mm", "diameter_mm", "length_mm", "width_mm", "area_mm2", "depth_mm")
    }
    n = len(truth)
    values = {"pit_id": np.arange(1, n + 1), **table, "depth_basis": ["pin"] * n}
    values |= {"confidence": np.ones(n), "diameter_sd_mm": np.zeros(n)}
    return make_table(PIT_COLUMNS, values)


PARTS = {
    "top": measure_top,
    "sizes": measure_sizes,
    "ranges": measure_ranges,
    "photos": measure_photos,
}


def main():
    """Run the parts asked for; parts not run keep their section of the results file."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--parts", nargs="+", choices=PARTS, default=["top", "sizes", "ranges"])
    parser.add_argument("--n", type=int, default=100, help="surveys or photos of the range parts")
    given = parser.parse_args()
    sections = _read_sections()
    for name in given.parts:
        lines = [f"<!-- {name} -->"]
        options = {"n": given.n} if name in ("ranges", "photos") else {}
        PARTS[name](lines, **options)
        load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
        lines.append(
            f"Measured with Python {platform.python_version()}, {os.cpu_count()} processors,"
            f" load {load:.1f}.\n"
        )
        sections[name] = "\n".join(lines)
        print(sections[name], flush=True)
        head = (
            "# Grades and plans: measured\n\n`python benchmarks/planning.py` makes this file.\n\n"
        )
        RESULTS.parent.mkdir(exist_ok=True)
        RESULTS.write_text(
            head + "\n".join(sections[one] for one in PARTS if one in sections), encoding="utf-8"
        )


def _read_sections():
    if not RESULTS.exists():
        return {}
    parts = RESULTS.read_text(encoding="utf-8").split("<!-- ")[1:]
    return {part.split(" -->")[0]: "<!-- " + part for part in parts}


if __name__ == "__main__":
    main()
