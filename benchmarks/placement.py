"""How truly photos are placed on the slab, on made-up photos whose camera is known exactly.

    python benchmarks/placement.py fields --out benchmarks/results/placement.md
    python benchmarks/placement.py card
    python benchmarks/placement.py top
    python benchmarks/placement.py memory

`fields`: one photo of a 600 x 400 mm face, tilted up to 35 degrees, barrel lens, vignetting.
`card`: the scale card on a wooden desk at five distances and three tilts.
`top`: a 3.2 x 1.0 m top in twelve photos with marks near its ends only, by one `inspect_survey`.
`memory`: a 400-megapixel map drawn into files. Without --out the lines are only printed.
"""

import argparse
import resource
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
from scipy.spatial import cKDTree

from rakelight.core.records import FaceMap, Lamp, Photo
from rakelight.core.settings import Settings
from rakelight.inspection import Given
from rakelight.light.background import flatten_light
from rakelight.pits.find import build_octaves, find_pits
from rakelight.pits.measure import choose_pits, measure_pits
from rakelight.pits.sort import sort_candidates
from rakelight.scale.card import scale_from_card
from rakelight.scale.corners import scale_from_corners
from rakelight.scale.edges import offer_corners, scale_from_slab_edges
from rakelight.scale.join import join_photos
from rakelight.scale.marks import parse_marks, scale_from_marks
from rakelight.scale.mosaic import CELL_PX, draw_mosaic
from rakelight.scale.plane import make_grid, place_on_slab
from rakelight.scale.rectify import rectify_photo
from rakelight.simulate.camera import Camera, photograph
from rakelight.simulate.lamp import Lamp as MadeUpLamp
from rakelight.simulate.lamp import light_slab
from rakelight.simulate.props import lay_print
from rakelight.simulate.slab import SlabRecipe, make_slab
from rakelight.survey import inspect_survey

sys.path.insert(0, str(Path(__file__).parents[1]))
from tests.scale.scenes import draw_mark, lay_on, print_card, render_desk, take_photo

FIELD_MM = (600.0, 400.0)
FIELD_MARKS_MM = {4: (55.0, 55.0), 5: (545.0, 55.0), 6: (545.0, 345.0), 7: (55.0, 345.0)}
TOP_MM = (3200.0, 1000.0)
TOP_MARKS_MM = {4: (60.0, 60.0), 5: (60.0, 940.0), 6: (3140.0, 60.0), 7: (3140.0, 940.0)}
SEAM_MM = 10.0
MATCH_MM = 1.5  # wider than the millimetre asked for, so that a miss by more than that shows
SMALLEST_MM = 1.5


def write_plan(size_mm, marks_mm) -> str:
    """Return the text of a marks.toml."""
    head = f'slab = "{size_mm[0]:g}x{size_mm[1]:g}"\n'
    return head + "".join(
        f"[[mark]]\nid = {key}\nx_mm = {x}\ny_mm = {y}\n" for key, (x, y) in marks_mm.items()
    )


def light_face(size_mm, mm_per_px, prints, *, seed, pits_per_m2=1200.0):
    """Return the light from a made-up face with prints laid on it, and its pits."""
    recipe = SlabRecipe(
        size_mm=size_mm, mm_per_px=mm_per_px, smallest_mm=1.0, pits_per_m2=pits_per_m2
    )
    slab = make_slab(recipe, seed=seed)
    for picture, middle_mm, side_mm in prints:
        x_mm, y_mm = (v - side_mm / 2 for v in middle_mm)
        slab = lay_print(slab, picture, x_mm, y_mm, size_mm=(side_mm, side_mm), thickness_mm=0.1)
    return light_slab(slab, MadeUpLamp(), ambient=0.1), slab.pits


def run_fields(n: int) -> list[str]:
    """Return lines: errors over the field by way of scaling, tilt and lens."""
    card = light_face(FIELD_MM, 0.25, [(print_card(), (300.0, 200.0), 190.0)], seed=900)[0]
    frayed = fray_edges(card, 0.25, seed=902)
    prints = [(draw_mark(key), place, 110.0) for key, place in FIELD_MARKS_MM.items()]
    marked = light_face(FIELD_MM, 0.25, prints, seed=901)[0]
    rows: dict[tuple[str, str], list[tuple[float, float, float]]] = {}
    offers = []
    for k in range(n):
        rng = np.random.default_rng([17, k])
        k1 = 0.0 if k % 3 == 0 else float(rng.uniform(-0.08, -0.01))
        view = {
            "mm_per_px": float(rng.uniform(0.2, 0.35)), "tilt_deg": float(rng.uniform(0, 35)),
            "tilt_from_deg": float(rng.uniform(0, 360)), "turn_deg": float(rng.normal(0, 4)),
            "distance_mm": float(rng.uniform(700, 1200)), "k1": k1, "vignetting": 0.3,
        }  # fmt: skip
        view["size_px"] = (round(780 / view["mm_per_px"]), round(585 / view["mm_per_px"]))
        lens = "straight lens" if k1 == 0 else "barrel 1-8 %"
        scenes = ((card, ("card", "edges", "corners")), (frayed, ("cast",)), (marked, ("marks",)))
        for scene, ways in scenes:
            camera = Camera(slab_size_mm=FIELD_MM, slab_mm_per_px=0.25, **view)
            photo = Photo(photograph(scene, camera, seed=k), "field.jpg", "0" * 64)
            picked = camera.find_corners() + rng.normal(0, 1.5, (4, 2))
            for way in ways:
                scale, shift = scale_one(way, photo, picked)
                rows.setdefault((way, lens), []).append(judge_field(scale, camera, shift))
            if scene is card:
                offer = offer_corners(photo)
                gap = np.inf if offer is None else np.abs(offer.corners_px - camera.find_corners())
                offers.append(float(np.max(gap)))
        print(f"{k + 1}/{n}", file=sys.stderr)
    lines = [
        f"### One photo, 600 x 400 mm, tilt 0-35 degrees, vignetting 30 % ({n} photos a scene)\n",
        "| Scale from | Lens | rms of places, mm: median / worst | Error of 600 mm: worst |",
        "|---|---|---|---|",
    ]
    names = {
        "card": "scale card in the middle",
        "marks": "four marks",
        "edges": "four corners picked (1.5 px), edges looked at",
        "corners": "four corners picked (1.5 px), nothing else",
        "cast": "the same, slab as cast: edges bowed, ragged, out of square",
    }
    for (way, lens), results in sorted(rows.items()):
        rms, _, length = (np.array(column) for column in zip(*results, strict=True))
        lines.append(
            f"| {names[way]} | {lens} | {np.median(rms):.2f} / {rms.max():.2f}"
            f" | {100 * np.abs(length).max():.2f} % |"
        )
    offers = np.array(offers)
    lines.append(
        f"\nCorners offered by the edge finder: {np.mean(offers < 4):.0%} of {n} photos within 4 px,"
        f" {np.mean(np.isinf(offers)):.0%} without an offer, median error"
        f" {np.median(offers):.1f} px.\n"
    )
    return lines


def fray_edges(radiance: np.ndarray, mm_per_px: float, *, seed: int) -> np.ndarray:
    """Return the face with edges as cast: bowed by 0.5 mm, up to 1 mm out of square, ragged, chipped.

    What is taken off is floor; the places on the face stay where they were.
    """
    rng = np.random.default_rng(seed)
    scene, floor = radiance.copy(), 0.05 * np.median(radiance)
    for side in range(4):
        turned = np.rot90(scene, side)  # the side in turn lies at the top
        n = turned.shape[1]
        share = np.linspace(0, 1, n)
        rag = cv2.GaussianBlur(
            rng.standard_normal((1, n)).astype(np.float32), (0, 0), 8 / mm_per_px
        )
        depth_mm = 0.5 * 4 * share * (1 - share) + rng.uniform(0, 1) * share
        depth_mm = depth_mm + 0.15 * (rag[0] / rag.std() + 2)
        for at in rng.uniform(0.05, 0.95, 4):  # chips, 2 to 6 mm wide
            depth_mm += 1.5 * np.exp(-(((share - at) * n * mm_per_px / rng.uniform(1, 3)) ** 2))
        depth = np.arange(turned.shape[0])[:40, None]
        cover = np.clip(depth_mm / mm_per_px - depth, 0, 1)[..., None]
        turned[:40] = turned[:40] * (1 - cover) + floor * cover
    return scene


def scale_one(way: str, photo: Photo, picked: np.ndarray):
    """Return a photo's scale by one way, and where the face's corner lies in its frame."""
    if way == "card":
        scale, pose = scale_from_card(photo)
        return scale, pose.outline_mm[0] - (205.0, 105.0)
    if way == "marks":
        return scale_from_marks(photo, parse_marks(write_plan(FIELD_MM, FIELD_MARKS_MM))), 0.0
    if way in ("edges", "cast"):
        return scale_from_slab_edges(photo, picked, FIELD_MM), 0.0
    return scale_from_corners(picked, FIELD_MM, photo.shape_px), 0.0


def judge_field(scale, camera, shift) -> tuple[float, float, float]:
    """Return rms and greatest error of places in mm, and the relative error of the length."""
    field = make_grid(FIELD_MM, 13)
    found = place_on_slab(scale, camera.project(field)) - shift
    away = np.hypot(*(found - field).T)
    across = np.hypot(*(found[6 * 13 + 12] - found[6 * 13]).T)
    return float(np.sqrt(np.mean(away**2))), float(away.max()), across / FIELD_MM[0] - 1


def run_card() -> list[str]:
    """Return lines: the card on a desk at five distances and three tilts."""
    desk = lay_on(render_desk((640.0, 480.0)), print_card(), (300.0, 230.0))
    lines = [
        "### Scale card on a desk, rms of places over 600 x 400 mm\n",
        "| mm per pixel | side of a square | 0 degrees | 20 degrees | 35 degrees |",
        "|---|---|---|---|---|",
    ]
    for mm_per_px in (0.15, 0.25, 0.4, 0.6, 0.9):
        cells = []
        for tilt_deg in (0, 20, 35):
            photo, camera = take_photo(
                desk, mm_per_px=mm_per_px, tilt_deg=tilt_deg, tilt_from_deg=200, vignetting=0.3,
                size_px=(round(560 / mm_per_px), round(440 / mm_per_px)), distance_mm=900,
            )  # fmt: skip
            scale, pose = scale_from_card(photo)
            field = np.add(make_grid(FIELD_MM, 9), (20, 40))
            found = place_on_slab(scale, camera.project(field)) - pose.outline_mm[0]
            away = found - (field - (205.0, 135.0))
            cells.append(f"{np.sqrt(np.mean(np.sum(away**2, axis=1))):.2f} mm")
        lines.append(f"| {mm_per_px} | {30 / mm_per_px:.0f} px | {' | '.join(cells)} |")
    return [*lines, ""]


class TopPhotos:
    """Twelve overlapping photos of a top, kept as JPEG files and read when asked."""

    def __init__(self, folder: Path, radiance: np.ndarray, *, seed: int):
        rng = np.random.default_rng(seed)
        self.paths, self.cameras = [], []
        for row, y_mm in enumerate((270, 730)):
            for col, x_mm in enumerate(np.linspace(355, TOP_MM[0] - 355, 6)):
                camera = Camera(
                    slab_size_mm=TOP_MM, slab_mm_per_px=0.25, mm_per_px=0.23, size_px=(3456, 2592),
                    aim_mm=(x_mm + rng.normal(0, 15), y_mm + rng.normal(0, 15)),
                    tilt_deg=abs(rng.normal(0, 7)), tilt_from_deg=rng.uniform(0, 360),
                    turn_deg=rng.normal(0, 3), k1=-0.03, vignetting=0.3,
                    distance_mm=750 * rng.uniform(0.95, 1.05), exposure_aim=rng.uniform(0.3, 0.45),
                )  # fmt: skip
                rgb = photograph(radiance, camera, seed=seed + 10 * row + col)
                path = folder / f"top_{row}{col}.jpg"
                cv2.imwrite(str(path), rgb[:, :, ::-1], [cv2.IMWRITE_JPEG_QUALITY, 92])
                self.paths.append(path)
                self.cameras.append(camera)

    def __len__(self) -> int:
        return len(self.paths)

    def __getitem__(self, k: int) -> Photo:
        rgb = cv2.cvtColor(cv2.imread(str(self.paths[k])), cv2.COLOR_BGR2RGB)
        return Photo(rgb, self.paths[k].name, "0" * 64)


def find_on(face: FaceMap, scale):
    """Return the pits found on a map."""
    settings, lamp = Settings(), Lamp(from_deg=270.0, angle_deg=15.0, basis="said")
    flat = flatten_light(face, settings=settings.light)
    octaves = build_octaves(flat, settings=settings.find)
    candidates = find_pits(octaves, lamp, face.mm_per_px, settings=settings.find)
    entries = sort_candidates(octaves, candidates, lamp, face.mm_per_px, settings=settings.sort)
    chosen = choose_pits(
        entries, face.mm_per_px, smallest_mm=1.0, confidence_min=settings.sort.confidence_min
    )
    return measure_pits(chosen, face, flat, lamp, scale=scale, settings=settings.measure).pits


def run_top(seed: int) -> list[str]:
    """Return lines: places, double counts and losses on a top in twelve photos."""
    prints = [(draw_mark(key), place, 110.0) for key, place in TOP_MARKS_MM.items()]
    radiance, truth = light_face(TOP_MM, 0.25, prints, seed=seed)
    with tempfile.TemporaryDirectory() as folder:
        photos = TopPhotos(Path(folder), radiance, seed=seed)
        del radiance
        plan = Path(folder) / "marks.toml"
        plan.write_text(write_plan(TOP_MM, TOP_MARKS_MM))
        given = Given(marks=plan, lamp=Lamp(270.0, 15.0, basis="said"))
        wall, work = time.perf_counter(), time.process_time()
        inspection = inspect_survey(photos.paths, given)
        wall, work = time.perf_counter() - wall, time.process_time() - work
        joined = join_photos(photos, plan)
        away = judge_top(joined, photos.cameras)
        truth = truth[(truth.diameter_mm >= SMALLEST_MM) & (truth.state == "open")]
        lines = judge_pits(joined, photos, truth[~is_covered(truth)], inspection.pits)
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return [
        "### A top of 3.2 x 1.0 m in twelve photos of 9 MP, marks near the ends only\n",
        "| Measured | Value |",
        "|---|---|",
        f"| places anywhere on the face, rms / worst | {np.sqrt(np.mean(away**2)):.2f}"
        f" / {away.max():.2f} mm |",
        f"| photos agree where they overlap, rms | {joined.tie_rms_mm:.2f} mm |",
        f"| map | {joined.face.seen.size / 1e6:.0f} MP at {joined.scale.mm_per_px:.3f} mm |",
        f"| photos to graded pit list and plan: processor time; wall time | {work:.0f} s; {wall:.0f} s |",
        f"| peak memory of the process, scene included | {peak_mb:.0f} MB |",
        *lines,
        "",
    ]


def is_covered(pits) -> np.ndarray:
    """Return which true pits lie under a mark's paper or its margin, wholly or in part."""
    places = pits[["x_mm", "y_mm"]].to_numpy()
    middles = np.array(list(TOP_MARKS_MM.values()))
    away = np.abs(places[:, None] - middles).max(axis=2).min(axis=1)
    return away - pits.diameter_mm.to_numpy() / 2 < 57.0


def judge_top(joined, cameras) -> np.ndarray:
    """Return the errors of places in mm, every photo over the part of the face it shows."""
    grid, errors = make_grid(TOP_MM, 61), []
    for view, camera in zip(joined.views, cameras, strict=True):
        near = grid[np.hypot(*(grid - camera.aim_mm).T) < 620]
        at = camera.project(near)
        shown = ((at > 0) & (at < np.array(camera.size_px) - 1)).all(axis=1)
        errors.append(np.hypot(*(place_on_slab(view, at[shown]) - near[shown]).T))
    return np.concatenate(errors)


def judge_pits(joined, photos, truth, found) -> list[str]:
    """Return table lines: place of found pits, pits counted twice, pits lost at seams."""
    places = truth[["x_mm", "y_mm"]].to_numpy()
    reach = np.maximum(0.5 * truth.diameter_mm.to_numpy(), MATCH_MM)
    hits = cKDTree(found[["x_mm", "y_mm"]].to_numpy()).query_ball_point(places, reach)
    n_hits = np.array([len(hit) for hit in hits])
    # A pair of true pits that touch may share two finds: twice counted is what stands alone.
    lonely = cKDTree(places).query(places, k=2)[0][:, 1] > 2.5 * reach
    seam = find_seam_distance(joined, places) < SEAM_MM
    off = cKDTree(found[["x_mm", "y_mm"]].to_numpy()).query(places[n_hits > 0])[0]
    twice = lonely & (n_hits > 1)
    lost = count_lost(joined, photos, truth, n_hits > 0, seam)
    return [
        f"| true pits of {SMALLEST_MM} mm and more; within {SEAM_MM:g} mm of a seam"
        f" | {len(truth)}; {np.count_nonzero(seam)} |",
        f"| found: within {SEAM_MM:g} mm of a seam / elsewhere"
        f" | {np.mean(n_hits[seam] > 0):.1%} / {np.mean(n_hits[~seam] > 0):.1%} |",
        f"| found pits, distance to the truth: median / 99 % / worst | {np.median(off):.2f}"
        f" / {np.quantile(off, 0.99):.2f} / {off.max():.2f} mm |",
        f"| found pits more than 1 mm from the truth | {np.count_nonzero(off > 1)} of {len(off)} |",
        f"| counted twice: at seams / elsewhere | {np.count_nonzero(twice & seam)}"
        f" / {np.count_nonzero(twice & ~seam)} of {np.count_nonzero(lonely)} |",
        f"| at seams: found in the single photo, not on the map | {lost} of {len(truth)}"
        f" ({lost / len(truth):.2%}) |",
    ]


def find_seam_distance(joined, places_mm) -> np.ndarray:
    """Return how far places lie from where the map changes from one photo to another, in mm."""
    shown = joined.shown
    edge = np.zeros(shown.shape, np.uint8)
    edge[:, 1:] |= shown[:, 1:] != shown[:, :-1]
    edge[1:] |= shown[1:] != shown[:-1]
    cell_mm = CELL_PX * joined.scale.mm_per_px
    distance = cv2.distanceTransform(1 - edge, cv2.DIST_L2, 5) * cell_mm
    at = np.rint(places_mm / cell_mm).astype(int)
    return distance[at[:, 1], at[:, 0]]


def count_lost(joined, photos, truth, is_found, seam) -> int:
    """Return how many pits near seams a photo shows that the map has lost."""
    places = truth[["x_mm", "y_mm"]].to_numpy()
    reach = np.maximum(0.5 * truth.diameter_mm.to_numpy(), MATCH_MM)
    missing = np.flatnonzero(seam & ~is_found)
    seen_alone = np.zeros(len(truth), bool)
    cell_mm = CELL_PX * joined.scale.mm_per_px
    for k, view in enumerate(joined.views):
        # Only photos the map shows near the missing pits need a search of their own.
        near = [
            m for m in missing
            if k in joined.shown[tuple(slice(max(0, int(v / cell_mm) - 2), int(v / cell_mm) + 3)
                                       for v in places[m][::-1])]
        ]  # fmt: skip
        if not near:
            continue
        face = rectify_photo(photos[k], view)
        cols, rows = np.flatnonzero(face.seen.any(axis=0)), np.flatnonzero(face.seen.any(axis=1))
        window = (slice(rows[0], rows[-1] + 1), slice(cols[0], cols[-1] + 1))
        part = FaceMap(
            np.ascontiguousarray(face.rgb[window]), face.seen[window].copy(), face.mm_per_px
        )
        found = (
            find_on(part, joined.scale)[["x_mm", "y_mm"]].to_numpy()
            + np.array([cols[0], rows[0]]) * face.mm_per_px
        )
        distance, _ = cKDTree(found).query(places[near])
        seen_alone[near] |= distance < reach[near]
    return int(np.count_nonzero(seen_alone))


def run_memory() -> list[str]:
    """Return lines: memory of drawing a 400-megapixel map into files."""
    from numpy.lib.format import open_memmap

    n_cols, n_rows, shape_px = 8, 5, (3000, 4000)
    rng = np.random.default_rng(0)
    grain = cv2.GaussianBlur(rng.integers(60, 200, (*shape_px, 1)).astype(np.uint8), (0, 0), 1.2)
    shared = np.repeat(grain[..., None], 3, axis=2)

    class Photos:
        def __len__(self):
            return n_cols * n_rows

        def __getitem__(self, k):
            return Photo(np.roll(shared, 7 * k, axis=0), f"{k}.jpg", "0" * 64)

    map_px, mm_per_px = (16000, 25000), 0.2
    corners_mm = []
    for k in range(n_cols * n_rows):
        left = (k % n_cols) * (map_px[1] - 4000) / (n_cols - 1) * mm_per_px
        top = (k // n_cols) * (map_px[0] - 3300) / (n_rows - 1) * mm_per_px
        corners_mm.append((left, top))
    scales = []
    for left, top in corners_mm:
        scale = scale_from_corners(
            [(0, 0), (3999, 0), (3999, 2999), (0, 2999)], (800.0, 660.0), shape_px
        )
        shift = np.array([[1, 0, left], [0, 1, top], [0, 0, 1.0]])
        scales.append(
            type(scale)(
                "marks",
                mm_per_px,
                0.0,
                shift @ scale.to_slab,
                (map_px[1] * mm_per_px, map_px[0] * mm_per_px),
            )
        )
    before_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    work = time.process_time()

    def tell(step, done, total):
        if done in (1, total):
            now_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            print(f"{step} {done}/{total}: {now_mb:.0f} MB", file=sys.stderr)

    with tempfile.TemporaryDirectory() as folder:
        out = (
            open_memmap(Path(folder) / "rgb.npy", "w+", np.uint8, (*map_px, 3)),
            open_memmap(Path(folder) / "seen.npy", "w+", bool, map_px),
        )
        face, _ = draw_mosaic(Photos(), scales, map_px, out=out, tell=tell)
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        seen = np.mean([face.seen[row].mean() for row in range(0, map_px[0], 97)])
    work = time.process_time() - work
    return [
        "### A 400-megapixel map from forty photos of 12 MP, drawn into files\n",
        f"Peak memory of the whole process {peak_mb:.0f} MB ({before_mb:.0f} MB before the drawing"
        f" began), {work:.0f} s of processor time, {seen:.0%} of the map seen.\n",
    ]


def main() -> None:
    """Run the parts asked for and print or keep the lines."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("parts", nargs="+", choices=("fields", "card", "top", "memory"))
    parser.add_argument("--n", type=int, default=24, help="photos of the field")
    parser.add_argument("--seed", type=int, default=910000, help="of the top")
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    cv2.setNumThreads(2)
    runs = {
        "fields": lambda: run_fields(asked.n),
        "card": run_card,
        "top": lambda: run_top(asked.seed),
        "memory": run_memory,
    }
    text = "\n".join("\n".join(runs[part]()) for part in asked.parts)
    print(text)
    if asked.out:
        asked.out.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
