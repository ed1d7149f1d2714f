"""How long and how much memory, as ratios in one run.

    python benchmarks/speed.py --mp 12 24 48
    python benchmarks/speed.py --mp 12 --rivals

Every picture is a made-up face as a JPEG of quality 92. Each step's time is the best of a few runs in one
process, divided by the best colour decode (`cv2.imdecode`) of the same file in that process. Memory is the
growth of the process's peak during one whole inspection in a fresh process, above the decoded photo.
"""

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np

from rakelight.core.records import Lamp
from rakelight.simulate import Lamp as SceneLamp
from rakelight.simulate import choose_recipe, simulate_photo

RUNS = 3


def make_picture(megapixels: float, folder: Path, mm_per_px: float = 0.12) -> Path:
    """Return a made-up photo of about so many megapixels as a JPEG file (copies of a 12 MP face side by side)."""
    tile = simulate_photo(
        5,
        recipe=choose_recipe("worn", size_mm=(4000 * mm_per_px, 3000 * mm_per_px), mm_per_px=mm_per_px, pits_per_m2=2500),
        lamp=SceneLamp(270.0, 14.0),
    ).rgb
    copies = max(1, round(megapixels / 12))
    wide = {1: (1, 1), 2: (2, 1), 4: (2, 2)}.get(copies, (copies, 1))
    rgb = np.tile(tile, (wide[0], wide[1], 1))  # repeated, never mirrored: the light must keep its side
    path = folder / f"{megapixels:g}mp.jpg"
    cv2.imwrite(str(path), rgb[:, :, ::-1], [cv2.IMWRITE_JPEG_QUALITY, 92])
    return path


def best_of(work, runs: int = RUNS) -> float:
    """Return the shortest of a few times, s."""
    times = []
    for _ in range(runs):
        started = time.perf_counter()
        work()
        times.append(time.perf_counter() - started)
    return min(times)


def inspect_once(path: Path, mm_per_px: float) -> None:
    """Run the whole analysis of one photo, without writing files."""
    from rakelight.inspection import Given, inspect_photo

    inspect_photo(path, Given(mm_per_px=mm_per_px, lamp=Lamp(270.0, 14.0, basis="said")))


def peak_bytes_per_px(path: Path, mm_per_px: float) -> float:
    """Return the peak of a fresh process above the decoded photo, in bytes per pixel."""
    script = (
        "import sys, cv2, numpy as np\n"
        "sys.path.insert(0, sys.argv[3])\n"
        "import speed\nfrom rakelight.inspection import inspect_photo\n"
        "small = np.full((64, 64, 3), 90, np.uint8); cv2.GaussianBlur(small, (0, 0), 1)\n"
        "open('/proc/self/clear_refs', 'w').write('5')\n"  # the peak starts anew; a child inherits its parent's
        "def kilobytes(name):\n"
        "    return int(next(l for l in open('/proc/self/status') if l.startswith(name)).split()[1])\n"
        "base = kilobytes('VmRSS')\n"
        "speed.inspect_once(sys.argv[1], float(sys.argv[2]))\n"
        "print((kilobytes('VmHWM') - base) * 1024)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(path), str(mm_per_px), str(Path(__file__).parent)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    rows, cols = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE).shape
    return float(done.stdout.split()[-1]) / (rows * cols) - 3


def time_rivals(path: Path) -> dict[str, float]:
    """Return the best times of general finders on the grey photo, s (blob searches once: they are slow)."""
    import sep
    from skimage import feature

    grey = 1 - cv2.imread(str(path), cv2.IMREAD_GRAYSCALE).astype(np.float32) / 255
    params = cv2.SimpleBlobDetector_Params()
    detector = cv2.SimpleBlobDetector_create(params)
    eight_bit = (255 * (1 - grey)).astype(np.uint8)

    def run_sep() -> None:
        background = sep.Background(grey)
        sep.extract(grey - background, 6.0, err=background.globalrms)

    return {
        "sep": best_of(run_sep),
        "SimpleBlobDetector": best_of(lambda: detector.detect(eight_bit), 1),
        "blob_doh": best_of(lambda: feature.blob_doh(grey, min_sigma=3, max_sigma=60, num_sigma=10, log_scale=True, threshold=0.01), 1),
        "blob_log": best_of(lambda: feature.blob_log(grey, min_sigma=3, max_sigma=60, num_sigma=10, log_scale=True, threshold=0.1), 1),
    }  # fmt: skip


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--mp", type=float, nargs="*", default=[12, 24, 48])
    parser.add_argument("--mm-per-px", type=float, default=0.12)
    parser.add_argument("--rivals", action="store_true")
    chosen = parser.parse_args()
    print("| MP | decode s | whole analysis / decode | peak bytes per px above the photo | rivals / decode |\n|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as folder:
        for megapixels in chosen.mp:
            path = make_picture(megapixels, Path(folder), chosen.mm_per_px)
            packed = np.fromfile(path, np.uint8)
            decode = best_of(lambda packed=packed: cv2.imdecode(packed, cv2.IMREAD_COLOR), 5)
            whole = best_of(lambda path=path: inspect_once(path, chosen.mm_per_px))
            decode = min(decode, best_of(lambda packed=packed: cv2.imdecode(packed, cv2.IMREAD_COLOR), 5))
            memory = peak_bytes_per_px(path, chosen.mm_per_px)
            rivals = time_rivals(path) if chosen.rivals else {}
            others = ", ".join(f"{name} {seconds / decode:.1f}" for name, seconds in rivals.items()) or "-"
            print(f"| {megapixels:g} | {decode:.3f} | {whole / decode:.1f} | {memory:.1f} | {others} |", flush=True)


if __name__ == "__main__":
    main()
