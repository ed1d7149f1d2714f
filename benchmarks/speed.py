"""How long and how much memory, as ratios in one run.

    python benchmarks/speed.py --mp 12 24 48 --coarse 2 --map 400 --rivals
    python benchmarks/speed.py --mp 12 --folder PICTURES --write        pictures kept; table into README.md

Every picture is a made-up face (12 MP at .12 mm per pixel, larger ones are copies of it side by side) as a
JPEG of quality 92. Times are the best of a few runs in one process, over the best colour decode
(`cv2.imdecode`) of the same file in that process. Memory is the growth of a fresh process's peak during one
whole analysis, above the decoded photo. Other finders work in one thread: of these the processor's time is
compared. They get the picture with our lamp removal done and uncounted.
"""

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))
from scoring import Tally, tally_scene

from rakelight.core.records import FaceMap, Lamp
from rakelight.simulate import Lamp as SceneLamp
from rakelight.simulate import choose_recipe, simulate_photo

RUNS = 5
TILE_PX = (3000, 4000)
MM_PER_PX = 0.12
SAID = Lamp(270.0, 14.0, basis="said")
README = Path(__file__).parent / "README.md"


def make_tile(folder: Path) -> tuple[np.ndarray, pd.DataFrame, pd.DataFrame]:
    """Return a made-up face of 12 MP with the truth of its pits and marks; made once per folder."""
    picture, tables = folder / "tile.png", [folder / "pits.csv", folder / "marks.csv"]
    if not picture.exists():
        rows, cols = TILE_PX
        recipe = choose_recipe(
            "worn",
            size_mm=(cols * MM_PER_PX, rows * MM_PER_PX),
            mm_per_px=MM_PER_PX,
            pits_per_m2=2500,
        )
        photo = simulate_photo(5, recipe=recipe, lamp=SceneLamp(270.0, 14.0))
        for table, path in zip((photo.slab.pits, photo.slab.marks), tables, strict=True):
            table.to_csv(path, index=False)
        cv2.imwrite(str(picture), photo.rgb[:, :, ::-1])
    return cv2.imread(str(picture)), *(pd.read_csv(path) for path in tables)


def make_picture(megapixels: float, folder: Path) -> Path:
    """Return a JPEG file of about so many megapixels."""
    path = folder / f"{megapixels:g}mp.jpg"
    if not path.exists():
        copies = max(1, round(megapixels / 12))
        wide = {1: (1, 1), 2: (2, 1), 4: (2, 2)}.get(copies, (copies, 1))
        bgr = np.tile(
            make_tile(folder)[0], (*wide, 1)
        )  # repeated, never mirrored: the light must keep its side
        cv2.imwrite(str(path), bgr, [cv2.IMWRITE_JPEG_QUALITY, 92])
    return path


def best_of(
    work: Callable[[], object], runs: int = RUNS, clock: Callable[[], float] = time.perf_counter
) -> float:
    """Return the shortest of a few times, s."""
    times = []
    for _ in range(runs):
        started = clock()
        work()
        times.append(clock() - started)
    return min(times)


def inspect_once(path: Path, smallest_mm: float = 1.0):
    """Run the whole analysis of one photo, without writing files."""
    from rakelight.core.settings import Settings
    from rakelight.inspection import Given, change_settings, inspect_photo

    settings = change_settings(Settings(), find={"smallest_mm": smallest_mm})
    return inspect_photo(path, Given(mm_per_px=MM_PER_PX, lamp=SAID), settings=settings)


def run_afresh(work: str, *words: str) -> list[float]:
    """Return what `work` prints in a fresh process whose peak of memory starts with it: last its growth in bytes."""
    script = (
        "import sys, cv2, numpy as np\nsys.path.insert(0, sys.argv[1])\nimport speed\n"
        "from rakelight.inspection import inspect_photo\nimport rakelight.large_map\n"
        "small = np.full((64, 64, 3), 90, np.uint8); cv2.GaussianBlur(small, (0, 0), 1)\n"
        "open('/proc/self/clear_refs', 'w').write('5')\n"  # a child inherits its parent's peak
        "def kilobytes(name):\n"
        "    return int(next(l for l in open('/proc/self/status') if l.startswith(name)).split()[1])\n"
        f"base = kilobytes('VmRSS')\n{work}\n"
        "print(kilobytes('VmHWM') * 1024, (kilobytes('VmHWM') - base) * 1024)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(Path(__file__).parent), *words],
        capture_output=True,
        text=True,
        check=True,
    )
    return [float(word) for word in done.stdout.split()]


def measure_peak(path: Path) -> float:
    """Return the peak of one analysis above the decoded photo, bytes per pixel."""
    rows, cols = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE).shape
    return run_afresh("speed.inspect_once(sys.argv[2])", str(path))[-1] / (rows * cols) - 3


def lay_map(megapixels: float, folder: Path) -> Path:
    """Return a folder with a map of so many megapixels on disk, of copies of the tile."""
    side, tile = round((megapixels * 1e6) ** 0.5), make_tile(folder)[0][:, :, ::-1]
    made = folder / f"map{megapixels:g}"
    made.mkdir(exist_ok=True)
    rgb = np.lib.format.open_memmap(made / "rgb.npy", "w+", np.uint8, (side, side, 3))
    seen = np.lib.format.open_memmap(made / "seen.npy", "w+", bool, (side, side))
    for top in range(0, side, TILE_PX[0]):
        for left in range(0, side, TILE_PX[1]):
            part = tile[: side - top, : side - left]
            rgb[top : top + len(part), left : left + part.shape[1]] = part
        seen[top : top + TILE_PX[0]] = True
    return made


def read_map(folder: str) -> None:
    """Read a map from disk in strips; prints its time, s, and its pits."""
    from rakelight.core.records import Scale
    from rakelight.large_map import read_large_map

    rgb, seen = (np.load(Path(folder) / f"{name}.npy", mmap_mode="r") for name in ("rgb", "seen"))
    face = FaceMap(rgb, seen, MM_PER_PX)
    started = time.perf_counter()
    measured, _ = read_large_map(
        face, SAID, Scale("marks", MM_PER_PX, 0.0, np.eye(3), face.size_mm)
    )
    print(time.perf_counter() - started, len(measured.pits))


def list_rivals(
    dark: np.ndarray,
) -> Iterator[tuple[str, Callable[[], object], Callable[[object], tuple]]]:
    """Yield name, search, and what turns its answer into (row, col, diameter_px)."""
    import sep
    from skimage import feature

    limits = {"min_sigma": 0.8 / MM_PER_PX / 2.83, "max_sigma": 20 / MM_PER_PX / 2.83}
    steps = {"num_sigma": 10, "log_scale": True}
    signed, dark = dark, np.clip(dark, 0, 1)
    light = (255 * (1 - dark)).astype(np.uint8)

    sep.set_extract_pixstack(5_000_000)

    def run_sep(threshold: float):
        background = sep.Background(signed)
        return sep.extract(signed - background, threshold, err=background.globalrms, minarea=6)

    def of_blobs(found):
        return found[:, 0], found[:, 1], 2.83 * found[:, 2]

    def of_points(found):
        return (
            np.array([p.pt[1] for p in found]),
            np.array([p.pt[0] for p in found]),
            np.array([p.size for p in found]),
        )

    for threshold in (3.0, 6.0, 10.0):
        yield (
            f"sep, {threshold:g} noise levels", lambda threshold=threshold: run_sep(threshold),
            lambda found: (found["y"], found["x"], 2 * np.sqrt(found["npix"] / np.pi)),
        )  # fmt: skip
    detector = cv2.SimpleBlobDetector_create(cv2.SimpleBlobDetector_Params())
    yield "SimpleBlobDetector", lambda: detector.detect(light), of_points
    try:
        import trackpy

        trackpy.quiet()
        yield (
            "trackpy.locate", lambda: trackpy.locate(255 * dark, 11),
            lambda found: (found["y"].to_numpy(), found["x"].to_numpy(), 2.83 * found["size"].to_numpy()),
        )  # fmt: skip
    except ImportError:
        pass
    yield "blob_dog", lambda: feature.blob_dog(dark, threshold=0.1, **limits), of_blobs
    yield "blob_doh", lambda: feature.blob_doh(dark, threshold=0.01, **limits, **steps), of_blobs
    yield "blob_log", lambda: feature.blob_log(dark, threshold=0.15, **limits, **steps), of_blobs


def score(
    row, col, diameter_px, truth: tuple[pd.DataFrame, pd.DataFrame], confidence=None
) -> Tally:
    """Return how a list of detections on the 12 MP face holds against its truth, pits of 1 mm and more."""
    found = pd.DataFrame(
        {
            "x_mm": (np.asarray(col, float) + 0.5) * MM_PER_PX,
            "y_mm": (np.asarray(row, float) + 0.5) * MM_PER_PX,
            "diameter_mm": np.asarray(diameter_px, float) * MM_PER_PX,
            "confidence": np.ones(len(row)) if confidence is None else confidence,
        }
    )
    tally = Tally()
    area_m2 = TILE_PX[0] * TILE_PX[1] * (MM_PER_PX / 1000) ** 2
    tally_scene(tally, found, *truth, area_m2=area_m2, limit_mm=(1.0, 99.0))
    return tally


def time_rivals(folder: Path) -> Iterator[str]:
    """Yield the table of other finders on the 12 MP picture, processor's time over that of its decode."""
    from rakelight.light.background import flatten_light

    path, (_, *truth) = make_picture(12, folder), make_tile(folder)
    packed = np.fromfile(path, np.uint8)
    bgr = cv2.imdecode(packed, cv2.IMREAD_COLOR)
    decode = best_of(lambda: cv2.imdecode(packed, cv2.IMREAD_COLOR), clock=time.process_time)
    face = FaceMap(np.ascontiguousarray(bgr[:, :, ::-1]), np.ones(bgr.shape[:2], bool), MM_PER_PX)
    dark = np.clip(-flatten_light(face).relief, -1, 1)
    answer = inspect_once(path)
    ours = best_of(lambda: inspect_once(path), clock=time.process_time)
    pits = answer.pits
    tally = score(
        pits.y_mm / MM_PER_PX - 0.5,
        pits.x_mm / MM_PER_PX - 0.5,
        pits.diameter_mm / MM_PER_PX,
        truth,
        pits.confidence,
    )
    yield "| finder | processor's time / decode | precision | recall | F1 |"
    yield "|---|---|---|---|---|"
    rates = f"{tally.precision:.3f} | {tally.recall:.3f} | {tally.f1:.3f}"
    yield f"| rakelight, whole analysis | {ours / decode:.1f} | {rates} |"
    for name, search, read in list_rivals(dark):
        held: list = []
        seconds = best_of(lambda search=search, held=held: held.append(search()), 1, time.process_time)
        tally = score(*read(held[0]), truth)
        yield f"| {name} | {seconds / decode:.1f} | {tally.precision:.3f} | {tally.recall:.3f} | {tally.f1:.3f} |"


def time_photos(megapixels: list[float], coarse_mm: float | None, folder: Path) -> Iterator[str]:
    """Yield the table of whole analyses, in seconds of the clock over the decode's."""
    more = "" if coarse_mm is None else f" from {coarse_mm:g} mm / decode |"
    yield f"| MP | decode s | whole analysis / decode |{more} whole s per MP | peak bytes per px above the photo |"
    yield "|---" * (6 if coarse_mm else 5) + "|"
    for size in megapixels:
        path = make_picture(size, folder)
        packed = np.fromfile(path, np.uint8)
        decode = best_of(lambda packed=packed: cv2.imdecode(packed, cv2.IMREAD_COLOR), 5)
        whole = best_of(lambda path=path: inspect_once(path))
        rough = (
            None if coarse_mm is None else best_of(lambda path=path: inspect_once(path, coarse_mm))
        )
        decode = min(
            decode, best_of(lambda packed=packed: cv2.imdecode(packed, cv2.IMREAD_COLOR), 5)
        )
        between = "" if rough is None else f" {rough / decode:.1f} |"
        peak = measure_peak(path)
        yield f"| {size:g} | {decode:.3f} | {whole / decode:.1f} |{between} {whole / size:.4f} | {peak:.1f} |"


def time_map(megapixels: float, folder: Path) -> Iterator[str]:
    """Yield the table of a map on disk, against one 12 MP photo."""
    whole = best_of(lambda: inspect_once(make_picture(12, folder)), 3)
    seconds, n_pits, peak, _ = run_afresh(
        "speed.read_map(sys.argv[2])", str(lay_map(megapixels, folder))
    )
    yield "| map on disk, MP | s | / whole 12 MP photo | pits | peak MB of the process |"
    yield "|---|---|---|---|---|"
    yield f"| {megapixels:g} | {seconds:.1f} | {seconds / whole:.1f} | {n_pits:.0f} | {peak / 1e6:.0f} |"


def main() -> None:
    """Print the tables and, when asked, write them into README.md."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--mp", type=float, nargs="*", default=[12, 24, 48])
    parser.add_argument("--coarse", type=float, help="also with this smallest size, mm")
    parser.add_argument("--map", type=float, help="also a map of so many MP from disk")
    parser.add_argument("--rivals", action="store_true")
    parser.add_argument("--folder", type=Path, help="where pictures are made and kept")
    parser.add_argument("--write", action="store_true", help="into README.md, below its command")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as passing:
        folder = chosen.folder or Path(passing)
        folder.mkdir(exist_ok=True)
        make_tile(folder)
        tables = [list(time_photos(chosen.mp, chosen.coarse, folder))] if chosen.mp else []
        tables += [list(time_map(chosen.map, folder))] if chosen.map else []
        tables += [list(time_rivals(folder))] if chosen.rivals else []
    text = "\n\n".join("\n".join(table) for table in tables)
    print(text)
    if chosen.write:
        before, _, rest = README.read_text(encoding="utf-8").partition("<!-- speed -->")
        after = rest.partition("<!-- speed ends -->")[2]
        README.write_text(
            f"{before}<!-- speed -->\n{text}\n<!-- speed ends -->{after}", encoding="utf-8"
        )


if __name__ == "__main__":
    main()
