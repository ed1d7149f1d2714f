"""A desk and a log of their own, a small made-up photo, and pages opened without a browser."""

import io
import time

import pytest
from PIL import Image
from streamlit.testing.v1 import AppTest

from rakelight.log.connection import ENVIRONMENT as LOG_ENVIRONMENT
from rakelight.screens import desk, drafts, errands, frame
from rakelight.screens.server import WAY
from rakelight.simulate import Lamp, choose_recipe, simulate_photo

PATIENCE_S = 180
MM_PER_PX = 0.16


@pytest.fixture
def home(tmp_path, monkeypatch):
    """An empty desk and an empty log, so that a test never meets the work of a person."""
    monkeypatch.setenv(desk.ENVIRONMENT, str(tmp_path / "desk"))
    monkeypatch.setenv(LOG_ENVIRONMENT, str(tmp_path / "log"))
    frame.close_shelf()
    yield tmp_path
    frame.close_shelf()


@pytest.fixture(scope="session")
def photo_jpeg() -> bytes:
    """A made-up slab of 80 x 60 mm at .16 mm per pixel, lit from the left at 15 degrees."""
    recipe = choose_recipe("caps", size_mm=(80.0, 60.0), mm_per_px=MM_PER_PX, pits_per_m2=8000.0)
    shot = simulate_photo(5, recipe=recipe, lamp=Lamp(from_deg=270.0, angle_deg=15.0))
    content = io.BytesIO()
    Image.fromarray(shot.rgb).save(content, "JPEG", quality=92)
    return content.getvalue()


@pytest.fixture(scope="session")
def measured_home(tmp_path_factory, photo_jpeg):
    """A desk and a log that hold one measured survey; copied for each test that changes it."""
    folder = tmp_path_factory.mktemp("measured")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(desk.ENVIRONMENT, str(folder / "desk"))
        patch.setenv(LOG_ENVIRONMENT, str(folder / "log"))
        draft = draft_photo(photo_jpeg, job="Studio bench", slab="panel", stage="after demold")
        errands.run_errand("measure", draft.uid)
        progress = desk.read_progress("measure", draft.uid)
        assert "done" == progress.state, progress.sentence
    return folder, progress.result


@pytest.fixture
def look(home, measured_home):
    """The id of a measured inspection, in a copy of its desk and log."""
    import shutil

    folder, uid = measured_home
    for name in ("desk", "log"):
        shutil.copytree(folder / name, home / name, dirs_exist_ok=True)
    return uid


@pytest.fixture
def make_draft():
    """A function that makes a draft with a photo whose scale and lamp are said."""
    return draft_photo


def draft_photo(photo: bytes, **said) -> drafts.Draft:
    """Return a draft with a photo whose scale and lamp are said."""
    said = {
        "scale_way": "mm_per_px", "mm_per_px": MM_PER_PX, "lamp_photo_deg": 270.0,
        "lamp_angle_deg": 15.0,
    } | said  # fmt: skip
    draft = drafts.make_draft(**said)
    drafts.keep_photo(draft.uid, "slab.jpg", [photo])
    return drafts.load_draft(draft.uid)


@pytest.fixture
def open_page():
    """A function that opens a page by its file name, with ids in its address."""

    def opening(name: str, **params: str) -> AppTest:
        page = AppTest.from_file(str(WAY), default_timeout=90)
        for key, value in params.items():
            page.query_params[key] = value
        return page.run() if name == "jobs" else page.switch_page(f"{name}.py").run()

    return opening


@pytest.fixture
def wait_for():
    """A function that waits until an errand has ended and returns its progress."""

    def waiting(what: str, uid: str) -> desk.Progress:
        end = time.monotonic() + PATIENCE_S
        while (progress := desk.read_progress(what, uid)).state in ("waiting", "working", "open"):
            assert time.monotonic() < end, progress
            time.sleep(0.2)
        time.sleep(0.2)  # the bench notices the end a moment later
        return progress

    return waiting
