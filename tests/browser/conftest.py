"""The screens as `rakelight app` starts them, and a browser that may reach nothing else."""

import contextlib
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from rakelight.screens.sharing import find_own_address

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or ""
FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    # The network cable is pulled out: every name and address but this computer's own leads nowhere.
    "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1"
    + "".join(f" , EXCLUDE {own}" for own in [find_own_address()] if own),
)  # fmt: skip
SIZES = {"phone": (390, 844), "desk": (1440, 900)}
PATIENCE_S = 90
STREAMLIT_ASKS = re.compile(r"/\w+/_stcore/(health|host-config)$")
SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
MM_PER_PX = 0.165
CUT_PX = (1200, 900)
CUT_MM = (CUT_PX[0] * MM_PER_PX, CUT_PX[1] * MM_PER_PX)
"""The back left part of a sample photo, with its grey card: measured in a few seconds."""


def pytest_collection_modifyitems(items):
    """Mark everything here as a browser test, and leave it out where there is no Chromium."""
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.browser)
            if not CHROMIUM:
                item.add_marker(pytest.mark.skip(reason="no Chromium on this machine"))


@pytest.fixture(scope="module")
def chromium():
    """One Chromium for the tests of a file; its own event loop ends with them."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """A folder with an empty desk and an empty log for the screens of a file."""
    return tmp_path_factory.mktemp("home")


@pytest.fixture(scope="module")
def screens(home) -> Iterator[str]:
    """The address of the screens on an empty desk and an empty log, as the command starts them."""
    with start_app(home) as (address, _):
        yield address


@contextlib.contextmanager
def start_app(home: Path, *words: str) -> Iterator[tuple[str, Path]]:
    """Start `rakelight app` on a free port; give its address and the file with what it said."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    said = home / "said.txt"
    settings = {
        **os.environ, "RAKELIGHT_DESK": str(home / "desk"), "RAKELIGHT_LOG": str(home / "log"),
        "PYTHONUNBUFFERED": "1",
    }  # fmt: skip
    command = [sys.executable, "-P", "-m", "rakelight", "app", "--port", str(port), *words]
    with said.open("wb") as file:
        program = subprocess.Popen(
            command, env=settings, stdout=file, stderr=subprocess.STDOUT, start_new_session=True
        )
    try:
        wait_until_up(f"http://127.0.0.1:{port}/", program, said)
        yield f"http://127.0.0.1:{port}", said
    finally:
        stop_program(program)


def cut_sample(folder: Path, name: str) -> Path:
    """Return a JPEG with the back left part of a sample photo."""
    from PIL import Image

    path = folder / f"{name}.jpg"
    with Image.open(SAMPLES / f"{name}.jpg") as photo:
        photo.crop((0, 0, *CUT_PX)).save(path, quality=92)
    return path


def read_pdf(content: bytes, folder) -> str:
    """Return the words of a PDF."""
    path = folder / "sheet.pdf"
    path.write_bytes(content)
    done = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, check=True)
    return done.stdout.decode()


def wait_until_up(address: str, program: subprocess.Popen, said: Path) -> None:
    """Wait until the screens answer."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end and program.poll() is None:
        try:
            urllib.request.urlopen(address, timeout=5).close()
            return
        except urllib.error.HTTPError:
            return
        except (urllib.error.URLError, ConnectionError):
            time.sleep(0.2)
    raise AssertionError(f"The screens did not start: {said.read_text()}")


def stop_program(program: subprocess.Popen) -> None:
    """End the screens as Ctrl+C does; what does not end is ended."""
    program.send_signal(signal.SIGINT)
    with contextlib.suppress(subprocess.TimeoutExpired):
        program.wait(3)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(program.pid, signal.SIGKILL)
    program.wait()


@dataclass
class Visitor:
    """A person at one browser window: what they tap is counted, what the page asks for is noted."""

    page: object
    address: str
    n_taps: int = 0
    outside: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def go(self, where: str = "") -> None:
        """Open an address of the screens."""
        self.page.goto(f"{self.address}/{where}")
        self.see_title()

    def see_title(self, title: str = "") -> None:
        """Wait until a page stands there, of this title when one is given."""
        heading = self.page.get_by_role("heading", level=1)
        if title:
            heading = heading.filter(has_text=re.compile(f"^{re.escape(title)}$"))
        heading.first.wait_for(timeout=PATIENCE_S * 1000)

    def tap(self, what) -> None:
        """Put a finger (or the mouse) on something, once it stands still."""
        what.wait_for(timeout=PATIENCE_S * 1000)
        what.click(timeout=PATIENCE_S * 1000)
        self.n_taps += 1

    def press(self, label: str) -> None:
        """Tap the button of this name."""
        self.tap(self.page.get_by_role("button", name=label, exact=True).first)

    def follow(self, label: str) -> None:
        """Tap the link of this name."""
        self.tap(self.page.get_by_role("link", name=label, exact=True).first)

    def choose_photo(self, label: str, path: Path) -> None:
        """Choose a photo where the page asks for it; this is the file choice, not a tap."""
        self.page.get_by_label(label, exact=True).set_input_files(path)

    def rest(self, least_s: float = 0.6) -> None:
        """Wait until nothing is on its way: no place holder, no bar, no running sign."""
        busy = self.page.locator(
            '[data-testid="stSkeleton"], [data-testid="stProgress"], [data-testid="stStatusWidget"]'
        )
        still_since, end = time.monotonic(), time.monotonic() + PATIENCE_S
        while time.monotonic() < still_since + least_s:
            assert time.monotonic() < end, "the page does not come to rest"
            self.page.wait_for_timeout(100)
            if busy.count():
                still_since = time.monotonic()

    def fetch(self, link: str) -> bytes:
        """Return what a link leads to, taken with this person's pass."""
        answer = self.page.request.get(f"{self.address}{link}")
        assert 200 == answer.status
        return answer.body()

    def find_address(self, label: str) -> str:
        """Return where the link of this name leads."""
        link = self.page.get_by_role("link", name=label, exact=True).first
        link.wait_for(timeout=PATIENCE_S * 1000)
        return link.get_attribute("href")


@pytest.fixture
def visit(chromium, request):
    """A function that opens a window for one person.

    When the test ends, no page may have asked for anything outside this computer or complained.
    """
    visitors = []

    def visiting(address: str, *, size: str = "desk", scheme: str = "light") -> Visitor:
        width, height = SIZES[size]
        context = chromium.new_context(
            viewport={"width": width, "height": height}, color_scheme=scheme,
            has_touch=size == "phone", is_mobile=size == "phone", accept_downloads=True,
        )  # fmt: skip
        context.set_default_timeout(PATIENCE_S * 1000)
        visitor = Visitor(context.new_page(), address)
        watch_page(visitor, context)
        visitors.append((visitor, context))
        return visitor

    yield visiting
    for visitor, context in visitors:
        context.close()
        assert [] == visitor.outside
        assert [] == visitor.complaints


def watch_page(visitor: Visitor, context) -> None:
    """Note every request that leaves this computer and everything the console calls an error."""
    own = (visitor.address, visitor.address.replace("http://", "ws://"), "data:", "blob:")

    def note(url: str) -> None:
        if not url.startswith(own):
            visitor.outside.append(url)

    context.on("request", lambda asked: note(asked.url))
    visitor.page.on("websocket", lambda line: note(line.url))
    visitor.page.on("pageerror", lambda trouble: visitor.complaints.append(str(trouble)))
    visitor.page.on("console", lambda said: note_complaint(visitor, said))


def note_complaint(visitor: Visitor, said) -> None:
    """Keep what the console calls an error, but for Streamlit's own two questions.

    Opened at the address of a page, it asks for its two files beside the page first and takes
    them from the root when they are not there.
    """
    if said.type == "error" and not STREAMLIT_ASKS.search(said.location.get("url", "")):
        visitor.complaints.append(f"{said.text} {said.location.get('url', '')}")
