"""A whole job in the browser: first photos, overruling, plan, papers, repair, after photos, comparison."""

import hashlib
import io
import re
import zipfile

import pytest

from .conftest import CUT_MM, Visitor, cut_sample, read_pdf

SLAB_SIZE = f"{CUT_MM[0]:g} x {CUT_MM[1]:g}"
GREY_CARD = f"18 {CUT_MM[1] - 62:g} 64 44"


@pytest.fixture(scope="module")
def photos(tmp_path_factory):
    """The back left part of the sample photos: before and after, raking and soft."""
    folder = tmp_path_factory.mktemp("photos")
    names = ("before_raking", "before_soft_light", "after_raking", "after_soft_light")
    return {name: cut_sample(folder, name) for name in names}


@pytest.mark.parametrize(("size", "scheme"), [("phone", "dark"), ("desk", "light")])
def test_job_from_first_photo_to_client_report(screens, visit, photos, tmp_path, size, scheme):
    """Every step works in turn, a reload loses nothing, and the papers say what was decided."""
    person = visit(screens, size=size, scheme=scheme)
    job = f"Bench seen on a {size}"
    begin_job(person, job)
    shoot(person, photos, "before")
    reload_and_find_all(person)
    find_pits(person, is_reloading=True)
    overrule_two_pits(person)
    look_at_tone(person)
    fix_a_field(person)
    take_papers(person, tmp_path)
    note_repair(person, job)
    shoot(person, photos, "after")
    find_pits(person)
    compare(person, tmp_path)
    take_bundle(person, job, photos)


def begin_job(person: Visitor, job: str) -> None:
    """From the list of jobs to the photos of the first slab."""
    person.go()
    person.press("New job")
    person.page.get_by_label("Name of the job").fill(job)
    person.page.get_by_label("Name of the job").press("Enter")
    person.press("Begin")
    person.see_title(job)
    person.press("Take the first photos")
    person.see_title("Photos")


def shoot(person: Visitor, photos: dict, when: str) -> None:
    """Give both photos and say what is known: corners, size, lamp, grey card."""
    page = person.page
    person.choose_photo("Take or choose the raking-light photo", photos[f"{when}_raking"])
    page.get_by_text("How big is it?").wait_for()
    person.rest()
    tap_corners(person)
    size = page.get_by_label("Size of the slab, left to right × front to back")
    size.fill(SLAB_SIZE)
    size.press("Enter")
    person.rest()
    stage = page.locator(".stage").first.bounding_box()
    page.mouse.click(stage["x"] + 10, stage["y"] + stage["height"] / 2)
    page.get_by_role("button", name="Lamp not known").wait_for()
    person.tap(page.get_by_role("radio", name="1 : 4 (15°)"))
    person.tap(page.get_by_text("Second photo for the colour"))
    person.choose_photo("Take or choose the soft-light photo", photos[f"{when}_soft_light"])
    grey = page.get_by_label("Grey card on the slab", exact=False)
    grey.fill(GREY_CARD)
    grey.press("Enter")
    person.rest()


def tap_corners(person: Visitor) -> None:
    """Tap the four corners of the slab on the photo: here those of the photo itself."""
    again = person.page.get_by_role("button", name="Tap the corners again").first
    if again.is_visible():
        again.click()
    photo = person.page.get_by_alt_text("Your photo of the slab").first
    photo.scroll_into_view_if_needed()
    for right, down in ((0, 0), (1, 0), (1, 1), (0, 1)):
        box = photo.bounding_box()
        place = (
            box["x"] + 1 + right * (box["width"] - 2),
            box["y"] + 1 + down * (box["height"] - 2),
        )
        person.page.mouse.click(*place)
    person.page.get_by_text("Drag a corner to mend it.").first.wait_for()
    person.rest()


def reload_and_find_all(person: Visitor) -> None:
    """Load the page again: what was said and sent is all still there."""
    person.page.reload()
    person.see_title("Photos")
    person.rest()
    size = person.page.get_by_label("Size of the slab, left to right × front to back")
    assert SLAB_SIZE == size.input_value()
    person.page.get_by_text("Drag a corner to mend it.").first.wait_for()
    chosen = person.page.get_by_role("radio", name="1 : 4 (15°)")
    assert "true" == chosen.get_attribute("aria-checked")
    assert person.page.get_by_role("button", name="Lamp not known").is_visible()
    assert GREY_CARD == person.page.get_by_label("Grey card on the slab", exact=False).input_value()


def find_pits(person: Visitor, *, is_reloading: bool = False) -> None:
    """Start the measuring and come to the face, also when the page is loaded again meanwhile."""
    person.press("Find the pits")
    if is_reloading:
        person.page.get_by_role("button", name="Stop").wait_for()
        person.page.reload()
        person.press("See what was found")
    person.see_title("Face")
    person.rest()


def overrule_two_pits(person: Visitor) -> None:
    """Take the first pit off the list and leave the second as character."""
    person.press("Next pit")
    person.page.get_by_role("heading", name=re.compile("^Pit 1:")).wait_for()
    person.press("Not a pit")
    person.page.get_by_text("Pit 1 is taken off the list.").wait_for()
    person.press("Next pit")
    person.page.get_by_role("heading", name=re.compile("^Pit 2:")).wait_for()
    person.press("Leave as character")
    person.page.get_by_text("Pit 2 is left as character.").wait_for()


def look_at_tone(person: Visitor) -> None:
    """The tone of the soft-light photo is a map."""
    person.follow("Tone")
    person.see_title("Tone")
    person.page.get_by_role("img", name=re.compile(r"^Tone of \d+ cells")).wait_for()


def fix_a_field(person: Visitor) -> None:
    """Fix that the first field is left alone; the plan is made anew around that."""
    person.follow("Plan")
    person.see_title("Plan")
    person.rest()
    person.press("Fix it")
    person.page.get_by_text("is fixed by you: leave").wait_for()
    person.rest()


def take_papers(person: Visitor, folder) -> None:
    """The papers leave out the pit that is none and name the field that is left."""
    person.press("On to the papers")
    person.see_title("Papers")
    person.rest()
    sheet = read_pdf(person.fetch(person.find_address("Open the work sheet")), folder)
    assert "Test patch first" in sheet
    report = read_pdf(person.fetch(person.find_address("Open the client report")), folder)
    assert "character" in report
    packed = person.fetch(person.find_address("Everything in one zip"))
    with zipfile.ZipFile(io.BytesIO(packed)) as archive:
        pits = archive.read("pits.csv").decode()
    numbers = [int(line.split(",")[0]) for line in pits.splitlines()[1:]]
    assert 1 not in numbers and 2 in numbers


def note_repair(person: Visitor, job: str) -> None:
    """Write down what was filled, then begin the photos after it."""
    person.follow("Jobs")
    person.see_title("Jobs")
    card = person.page.locator('[class*="st-key-job_"]', has_text=job)
    person.tap(card.get_by_role("link", name="Open"))
    person.see_title(job)
    person.press("Write down what was repaired")
    person.page.get_by_label("Pits", exact=True).fill("40")
    person.page.get_by_label("Pits", exact=True).press("Tab")
    person.press("Write it down")
    person.press("Take the after photos")
    person.see_title("Photos")


def compare(person: Visitor, folder) -> None:
    """Both surveys side by side: what closed in a sentence, the wipe, the refills, the report."""
    person.follow("Before and after")
    person.see_title("Before and after")
    person.page.get_by_text("that both photos can show").wait_for()
    wipe = person.page.get_by_label("How much of the photo before is shown")
    wipe.focus()
    wipe.press("ArrowRight")
    person.page.get_by_text("need work again").wait_for()
    words = read_pdf(person.fetch(person.find_address("Client report with both")), folder)
    assert "closed" in words
    page = person.fetch(person.find_address("The same as one web file")).decode()
    assert [] == re.findall(r"""(?:src|href)=["'](?!data:|#)([^"']*)""", page)


def take_bundle(person: Visitor, job: str, photos: dict) -> None:
    """The job leaves the log as one file that holds its photos as they were sent."""
    person.go("logbook")
    row = person.page.locator('[data-testid="stHorizontalBlock"]', has_text=job)
    with person.page.expect_download() as taken:
        person.tap(row.last.get_by_role("button", name="Take along (bundle)"))
    with zipfile.ZipFile(taken.value.path()) as bundle:
        kept = [hashlib.sha256(bundle.read(name)).hexdigest() for name in bundle.namelist()]
    sent = [hashlib.sha256(photo.read_bytes()).hexdigest() for photo in photos.values()]
    assert set(sent) <= set(kept)
