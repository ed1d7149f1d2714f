"""From the command to a work sheet in the hand, counted in taps."""

import time

from .conftest import SAMPLES, read_pdf


def test_one_photo_to_the_work_sheet_in_eight_taps(screens, visit, tmp_path, capsys):
    """One photo of a whole slab becomes a work sheet with at most eight taps besides the file."""
    began = time.monotonic()
    person = visit(screens, size="phone")
    person.go()
    person.press("One photo, straight to the work sheet")
    person.choose_photo(
        "Take or choose the raking-light photo", SAMPLES / "before_raking_tilted.jpg"
    )
    person.page.get_by_text("Drag a corner to mend it.").wait_for()
    size = person.page.get_by_label("Size of the slab, left to right × front to back")
    person.tap(size)
    size.fill("600 x 450")
    size.press("Enter")
    margin = person.page.locator(".stage")
    box = margin.bounding_box()
    person.page.mouse.click(box["x"] + 10, box["y"] + box["height"] / 2)
    person.n_taps += 1
    person.press("Find the pits")
    person.see_title("Face")
    person.press("On to the plan")
    person.press("On to the papers")
    sheet = person.fetch(person.find_address("Open the work sheet"))
    person.n_taps += 1
    took_s = time.monotonic() - began
    words = read_pdf(sheet, tmp_path)
    with capsys.disabled():
        print(f" [{person.n_taps} taps, {took_s:.1f} s] ", end="")
    assert person.n_taps <= 8
    assert "Test patch first" in words
