"""The short way from a photo to a work sheet, without a browser."""

import io
import time
import zipfile

import numpy as np
import pytest
from PIL import Image
from streamlit.testing.v1 import AppTest

from rakelight.core.records import PIT_COLUMNS, make_table
from rakelight.core.tables import INSPECTION_FILES
from rakelight.screens import drafts, results
from rakelight.screens.server import HERE
from rakelight.simulate import Lamp, choose_recipe, simulate_photo

PAGE = HERE / "one_photo.py"
PATIENCE_S = 180


@pytest.fixture
def desk(tmp_path, monkeypatch):
    """A desk of its own, so that a test never meets the drafts of a person."""
    monkeypatch.setenv(drafts.ENVIRONMENT, str(tmp_path / "desk"))
    return tmp_path / "desk"


@pytest.fixture(scope="session")
def photo_jpeg() -> bytes:
    """A made-up slab of 80 x 60 mm at .16 mm per pixel, lit from the left at 15 degrees."""
    recipe = choose_recipe("caps", size_mm=(80.0, 60.0), mm_per_px=0.16, pits_per_m2=8000.0)
    shot = simulate_photo(5, recipe=recipe, lamp=Lamp(from_deg=270.0, angle_deg=15.0))
    content = io.BytesIO()
    Image.fromarray(shot.rgb).save(content, "JPEG", quality=92)
    return content.getvalue()


def open_page(**params) -> AppTest:
    """Return the page as a person sees it first."""
    page = AppTest.from_file(str(PAGE), default_timeout=60)
    for name, value in params.items():
        page.query_params[name] = value
    return page.run()


def find_uid(page: AppTest) -> str:
    """Return the survey that the page's address names."""
    value = page.query_params["survey"]
    return value if isinstance(value, str) else value[0]


def upload(page: AppTest, content: bytes, name: str = "slab.jpg") -> AppTest:
    """Return the page after a photo was chosen."""
    return page.file_uploader[0].upload(name, content, "image/jpeg").run()


def test_first_sight_asks_for_a_photo(desk):
    """Before a photo is chosen only the first step stands there, and nothing is kept."""
    page = open_page()
    assert not page.exception
    assert ["1. The photo"] == [header.value for header in page.header]
    assert not desk.exists()


def test_a_photo_leads_to_pits_plan_and_papers(desk, photo_jpeg):
    """Photo, pixel size, lamp side, one button: then numbers, pit list, plan and files are there."""
    page = upload(open_page(), photo_jpeg)
    assert 4 == len(page.header)
    page.radio(key="scale_way").set_value("mm_per_px").run()
    page.number_input(key="mm_per_px").set_value(0.16).run()
    page.pills(key="lamp_side").set_value("left").run()
    page.number_input(key="lamp_angle").set_value(15.0).run()
    next(button for button in page.button if button.label == "Find the pits").click().run()
    uid = find_uid(page)
    wait_for(uid)
    page.run()
    assert not page.exception
    assert "done" == drafts.read_progress(uid).state
    n_pits = int(page.metric[0].value)
    assert 10 < n_pits  # 8000 per m2 on 0.0048 m2 are 38 pits, about half of them of 1 mm and more
    assert n_pits == len(page.dataframe[0].value)
    assert {"Field", "Do", "Why"} <= set(page.dataframe[1].value.columns)
    assert "Test patch first" in " ".join(box.value for box in page.warning)
    page.slider(key="least_mm").set_value(3.0).run()
    assert len(page.dataframe[0].value) < n_pits
    with zipfile.ZipFile(io.BytesIO(results.pack_files(drafts.papers_folder(uid)))) as archive:
        assert list(INSPECTION_FILES) == archive.namelist()


def wait_for(uid: str) -> None:
    """Wait until the measuring of a draft has ended."""
    end = time.monotonic() + PATIENCE_S
    while drafts.read_progress(uid).state in ("waiting", "measuring", "open"):
        assert time.monotonic() < end, drafts.read_progress(uid)
        time.sleep(0.2)


def test_reload_loses_nothing(desk, photo_jpeg):
    """The address alone brings back the photo and what was said."""
    page = upload(open_page(), photo_jpeg)
    page.text_input(key="slab_size").set_value("80x60").run()
    again = open_page(survey=find_uid(page))
    assert 4 == len(again.header)
    assert "80x60" == again.text_input(key="slab_size").value


@pytest.mark.parametrize("uid", ["../../etc", "0" * 31, "A" * 32, "f" * 32])
def test_strange_address_starts_anew(desk, uid):
    """An address that is not a survey of this machine is told in a sentence; no path is made of it."""
    page = open_page(survey=uid)
    assert not page.exception
    assert 1 == len(page.info)
    assert ["1. The photo"] == [header.value for header in page.header]


def test_wrong_corners_are_told(desk, photo_jpeg):
    """Three corners give one sentence and no crash, and the button stays shut."""
    page = upload(open_page(), photo_jpeg)
    page.text_input(key="corners").set_value("1,2 3,4 5,6").run()
    assert not page.exception
    assert "four pairs" in page.error[0].value
    assert page.button[-1].disabled


def test_text_named_jpg_ends_in_a_sentence(desk):
    """A text file named .jpg is kept, has no preview, and the measuring says what to do."""
    page = upload(open_page(), b"this is no picture", "notes.jpg")
    page.radio(key="scale_way").set_value("mm_per_px").run()
    page.number_input(key="mm_per_px").set_value(0.2).run()
    page.button[-1].click().run()
    uid = find_uid(page)
    wait_for(uid)
    page.run()
    assert "failed" == drafts.read_progress(uid).state
    assert drafts.read_progress(uid).sentence == page.error[0].value
    assert 0 == len(list(drafts.find_folder(uid).glob("papers/*")))


def test_pit_places_count_from_the_front_left():
    """A pit 100 mm from the top of a 450 mm face lies 350 mm from the front, 13.78 in."""
    values = {
        "pit_id": [7],
        "x_mm": [25.4],
        "y_mm": [100.0],
        "diameter_mm": [2.54],
        "kind": ["bug_hole"],
    }
    pits = make_table(PIT_COLUMNS, values)
    assert 350 == results.arrange_pits(pits, 450.0, "mm")["From front, mm"][0]
    inches = results.arrange_pits(pits, 450.0, "in")
    assert (0.1, 1.0, 13.8) == tuple(
        inches[["Size, in", "From left, in", "From front, in"]].iloc[0]
    )
    assert np.array_equal(["bug hole"], inches["Kind"])
