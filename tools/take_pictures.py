"""Takes the pictures of the screens for docs/pictures: `python tools/take_pictures.py`.

Starts the screens on an empty desk and an empty log, does a whole made-up job with the sample
photos, and photographs every page at desk and phone width, light and dark. `docs/screens.md` shows
the pictures. Needs playwright and a Chromium on the machine (named with --chromium when it is not
/usr/bin/chromium).
"""

import argparse
import contextlib
import io
import os
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

from PIL import Image

ROOT = Path(__file__).resolve().parents[1]
SAMPLES = ROOT / "sample_images"
CHROMIUM_FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update",
)  # fmt: skip
SIZES = {"desk": (1440, 1000), "phone": (390, 844)}
SHARPNESS = {"desk": 1, "phone": 2}
TALLEST_PX = {"desk": 3000, "phone": 2600}
QUALITY = 80
DOOR = ROOT / "inspect" / "rakelight" / "screens" / "assets" / "door.html"
PAGES = (
    "jobs", "job", "photos", "face", "tone", "plan", "change", "papers", "logbook", "shop", "door",
)  # fmt: skip
PATIENCE_S = 120
JOB = "Pottery studio bench"


def main() -> None:
    """Make the pictures that were asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--chromium", default="/usr/bin/chromium")
    parser.add_argument("--out", type=Path, default=ROOT / "docs" / "pictures" / "screens")
    parser.add_argument("--pages", default=",".join(PAGES))
    parser.add_argument("--looks", default="desk-light,desk-dark,phone-light,phone-dark")
    parser.add_argument("--keep", type=Path, help="folder of an earlier run to use again")
    told = parser.parse_args()
    told.out.mkdir(parents=True, exist_ok=True)
    with contextlib.ExitStack() as stack:
        home = told.keep or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        os.environ["RAKELIGHT_DESK"] = str(home / "desk")
        os.environ["RAKELIGHT_LOG"] = str(home / "log")
        places = do_job(home)
        address = stack.enter_context(start_screens())
        take_all(address, places, told)


def do_job(home: Path) -> dict[str, str]:
    """Return the addresses of the pages after a whole job: before, repair noted, after."""
    from rakelight.screens import desk, drafts

    kept = home / "places.json"
    if kept.is_file():
        return desk.read_plain(kept)
    from rakelight.log.connection import open_log
    from rakelight.log.search import list_jobs
    from rakelight.log.store import add_job, add_repair, add_slab
    from rakelight.screens import errands

    desk.write_shop(desk.Shop(name="Kiln Lane Concrete", who="bench hand"))
    with open_log() as log:
        agreed = {"smallest_mm": 2.0, "area_percent": 0.3, "viewing_distance_mm": 600.0}
        add_job(log, JOB, client="the pottery studio", site="first floor", agreed=agreed)
        add_slab(log, JOB, "bench panel 3", width_mm=600.0, height_mm=450.0)
    uids = []
    for stage, name in (("after demold", "before"), ("after filling", "after")):
        draft = drafts.make_draft(
            job=JOB, slab="bench panel 3", stage=stage, scale_way="mm_per_px", mm_per_px=0.165,
            lamp_photo_deg=270.0, lamp_angle_deg=15.0, grey_card_mm=(18.0, 388.0, 64.0, 44.0),
        )  # fmt: skip
        for kind, light in (("raking", "raking"), ("soft", "soft_light")):
            photo = SAMPLES / f"{name}_{light}.jpg"
            drafts.keep_photo(draft.uid, photo.name, [photo.read_bytes()], kind=kind)
        for what in ("check", "measure"):
            errands.run_errand(what, draft.uid)
            progress = desk.read_progress(what, draft.uid)
            if progress.state != "done":
                sys.exit(f"{name}: {progress.sentence}")
        uids.append((draft.uid, progress.result))
    with open_log() as log:
        done = {"n_pits": 190, "minutes": 95.0, "grams": 240.0, "material": "ordinary_paste"}
        add_repair(log, JOB, "bench panel 3", "fill", **done)
        uid = list_jobs(log)["uid"][0]
    tilted = drafts.make_draft(slab_size="600 x 450")
    photo = SAMPLES / "before_raking_tilted.jpg"
    drafts.keep_photo(tilted.uid, photo.name, [photo.read_bytes()])
    errands.run_errand("check", tilted.uid)
    drafts.change_draft(tilted.uid, lamp_photo_deg=270.0, lamp_angle_deg=15.0)
    before, after = uids[0][1], uids[1][1]
    places = {
        "jobs": "", "job": f"job?job={uid}", "photos": f"photos?survey={tilted.uid}",
        "face": f"face?look={before}", "tone": f"tone?look={after}", "plan": f"plan?look={before}",
        "change": f"change?look={after}", "papers": f"papers?look={before}", "logbook": "logbook", "shop": "shop",
    }  # fmt: skip
    desk.write_plain(kept, places)
    return places


@contextlib.contextmanager
def start_screens() -> Iterator[str]:
    """Start the screens on a free port of this machine and give their address."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    server = subprocess.Popen([sys.executable, "-P", "-m", "rakelight.screens", str(port)])
    address = f"http://127.0.0.1:{port}/"
    try:
        wait_until_up(address)
        yield address
    finally:
        server.terminate()
        server.wait()


def wait_until_up(address: str) -> None:
    """Wait until the screens answer."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        with contextlib.suppress(urllib.error.URLError, ConnectionError):
            urllib.request.urlopen(address, timeout=5).close()
            return
        time.sleep(0.5)
    sys.exit("The screens did not start.")


def take_all(address: str, places: dict[str, str], told: argparse.Namespace) -> None:
    """Photograph every page in every look."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path=told.chromium, args=list(CHROMIUM_FLAGS))
        for look in told.looks.split(","):
            size, scheme = look.split("-")
            width, height = SIZES[size]
            page = browser.new_page(
                viewport={"width": width, "height": height}, color_scheme=scheme,
                device_scale_factor=SHARPNESS[size],
            )  # fmt: skip
            for name in told.pages.split(","):
                path = told.out / f"{name}_{size}_{scheme}.webp"
                if name == "door":
                    page.set_viewport_size({"width": width, "height": height})
                    page.set_content(DOOR.read_text(encoding="utf-8").replace("{{sentence}}", ""))
                    keep_picture(page.screenshot(), path)
                else:
                    take_one(page, address + places[name], path, size)
            page.close()
        browser.close()


def take_one(page, address: str, path: Path, size: str) -> None:
    """Photograph one page whole, once it has come to rest."""
    width, height = SIZES[size]
    page.set_viewport_size({"width": width, "height": height})
    page.goto(address)
    page.wait_for_selector("h1", timeout=PATIENCE_S * 1000)
    wait_until_still(page)
    if page.locator("canvas.signs").count():
        for _ in range(3):  # a pit away from the corner
            page.get_by_role("button", name="Next pit").click()
            wait_until_still(page)
        page.evaluate("document.querySelector('[data-testid=stMain]').scrollTo(0, 0)")
    tall = page.evaluate(TALL)
    page.set_viewport_size({"width": width, "height": min(tall + 20, TALLEST_PX[size])})
    time.sleep(1.5)
    keep_picture(page.screenshot(), path)


# How far down the page really reaches, without the room that is kept free below.
TALL = """() => {
  const inside = document.querySelector('[data-testid=stMainBlockContainer] > div');
  return Math.ceil(inside.getBoundingClientRect().bottom
    + document.querySelector('[data-testid=stMain]').scrollTop);
}"""


def keep_picture(content: bytes, path: Path) -> None:
    """Write a screen as a picture that is small enough to live in a repository."""
    with Image.open(io.BytesIO(content)) as screen:
        screen.convert("RGB").save(path, "WEBP", quality=QUALITY, method=6)
    print(path)


def wait_until_still(page) -> None:
    """Wait until nothing is on its way: no place holders, no bar, for two seconds."""
    busy = page.locator(
        '[data-testid="stSkeleton"], [data-testid="stProgress"], [data-testid="stStatusWidget"]'
    )
    still_since, end = time.monotonic(), time.monotonic() + PATIENCE_S
    while time.monotonic() < min(end, still_since + 2):
        time.sleep(0.3)
        if busy.count():
            still_since = time.monotonic()


if __name__ == "__main__":
    main()
