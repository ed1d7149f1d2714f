"""The client report: what was agreed and found, with ranges; no score, no stamp, no secrets."""

import re
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from rakelight.core.errors import OutputError
from rakelight.core.settings import ReportSettings
from rakelight.report import client
from rakelight.report.change_map import draw_change
from rakelight.report.figures import draw_face
from rakelight.report.logo import read_logo

from .test_change import build_comparison
from .test_work_sheet import NASTY, needs_reader, read_pdf

SMALL = ReportSettings(map_max_side_px=900)


@needs_reader
def test_report_says_what_a_client_asks(bench, tmp_path):
    """Agreed, found with range, what stays, tone, distance, signatures; method on the back."""
    pages = read_pdf(client.write_client_report(bench, tmp_path / "r.pdf", settings=SMALL), "-raw")
    assert len(pages) == 2
    front, back = (re.sub(r"\s+", " ", page) for page in pages)
    for words in ("What was agreed", "Counted from 2 mm", "pits per m²", "19 times in 20",
                  "stay as character", "2.6 L* darker", "from 0.6 m", "Finisher", "Client", "Date"):  # fmt: skip
        assert words in front, words
    for words in ("walls cast against forms", "limit from memory", "P3 to P4", "mm on the slab",
                  "least depth", "no verdict", "Sealed on", "open at the surface"):  # fmt: skip
        assert words in back, words
    assert not re.search(r"\b(score|passed|failed|certif)", front + back, re.I)


def test_nothing_agreed_means_no_judgement(make_inspection):
    """Without an agreement the report says so and holds no word that judges."""
    data = client.collect_client_report(make_inspection(is_agreed=False), ReportSettings())
    assert "Nothing was agreed" in data["agreed"][0]
    assert data["result"]["verdict"] == ""
    assert "our proposal" in data["look"]


@pytest.mark.parametrize(
    ("is_met", "expected"),
    [(True, "keeps what was agreed"), (False, "over what was agreed"), (None, "too near")],
)
def test_agreed_limit_is_stated_as_kept_over_or_open(bench, is_met, expected):
    """Three answers, since a photo cannot always decide."""
    settings = bench.settings | {"agreed": {"limit": "a limit", "is_met": is_met}}
    data = client.collect_client_report(replace(bench, settings=settings), ReportSettings())
    assert expected in data["result"]["verdict"]


def test_range_of_real_pits_follows_from_the_confidences(make_inspection):
    """100 pits at .9 each: 90 expected, sd 3, so 84 to 96 at 1.96 sd (5.88 rounded)."""
    face = make_inspection(n_pits=100, has_opening=False)
    face = replace(face, pits=face.pits.assign(confidence=0.9))
    lines = client.collect_client_report(face, ReportSettings())["result"]["lines"]
    assert lines[0] == "Between 84 and 96 of the 100 listed are real pits (19 times in 20)."


def test_clean_slab_makes_no_zero_claim_beyond_what_was_seen(clean_bench):
    """No pit: the sentence speaks of the part that was seen, and gives its share."""
    result = client.collect_client_report(clean_bench, ReportSettings())["result"]
    assert result["n_pits"] == 0
    assert "part of the face that was seen" in result["lines"][0]
    assert "93 %" in result["lines"][1]


def test_picture_carries_no_metadata(bench):
    """The JPEG in the report has no camera data: no application segment but the plain header."""
    content = client.encode_jpeg(np.zeros((40, 40, 3), np.uint8))
    assert b"Exif" not in content
    assert b"GPS" not in content
    markers = re.findall(rb"\xff([\xe1-\xef])", content)
    assert markers == []


def test_logo_is_cleaned_and_a_wrong_one_is_named(tmp_path, bench):
    """A logo loses its text chunks; a file that is no picture is one sentence."""
    picture = Image.new("RGB", (2000, 500), (10, 90, 60))
    picture.save(tmp_path / "logo.jpg", comment=b"secret place")
    clean = read_logo(str(tmp_path / "logo.jpg"))
    assert b"secret" not in clean
    assert clean.startswith(b"\x89PNG")
    assert read_logo("") == b""
    (tmp_path / "text.png").write_text("no picture")
    with pytest.raises(OutputError, match=r"text\.png"):
        read_logo(str(tmp_path / "text.png"))
    settings = ReportSettings(
        shop_name="#Kiln & Trowel", shop_logo=str(tmp_path / "logo.jpg"), map_max_side_px=600
    )
    assert client.write_client_report(bench, tmp_path / "r.pdf", settings=settings).stat().st_size


@needs_reader
@pytest.mark.parametrize("name", NASTY[:5])
def test_names_are_printed_as_names(bench, tmp_path, name):
    """No name runs or breaks the report."""
    job = dict.fromkeys(("job", "slab", "client", "site", "stage"), name)
    settings = ReportSettings(map_max_side_px=500, shop_name=name)
    path = client.write_client_report(
        replace(bench, job=job), tmp_path / "r.pdf", settings=settings
    )
    assert 2 <= len(read_pdf(path)) <= 3


def test_same_record_gives_the_same_bytes(bench, tmp_path):
    """Picture and pages repeat to the byte."""
    settings = ReportSettings(map_max_side_px=600)
    one, two = (
        client.write_client_report(bench, tmp_path / n, settings=settings).read_bytes()
        for n in "ab"
    )
    assert one == two


def test_smallest_type_on_the_reports_pictures_is_legible(bench):
    """Placed on the page as the template places it, no letter on a picture is below 6.5 pt."""
    cut = replace(bench.face, rgb=bench.face.rgb[:, :700], seen=bench.face.seen[:, :700])
    settings = ReportSettings(map_max_side_px=1200)
    change = build_comparison(bench, bench)
    for face in (bench, replace(bench, face=cut)):
        width_mm, height_mm = face.face.size_mm
        is_tall = height_mm > client._TALL_FROM * width_mm
        room = client.TALL_ROOM if is_tall else client.WIDE_ROOM
        drawn = (
            (room, draw_face(face, settings=settings, room=room)),
            (client.CHANGE_ROOM, draw_change(change, face, settings=settings, room=client.CHANGE_ROOM)),
        )
        for (wide, high), rgb in drawn:
            mm_per_px = client.UNIT_MM * min(wide / rgb.shape[1], high / rgb.shape[0])
            smallest_pt = 1.15 * 1200 / max(wide, high) * mm_per_px * 72 / 25.4
            assert smallest_pt >= 6.5, (is_tall, wide)


def test_after_a_repair_report_and_plan_say_the_same(bench):
    """Places that need work again are told with what the later plan does to each; none is called a refill."""
    change = build_comparison(bench, bench)
    numbers = bench.pits["pit_id"].iloc[:6].tolist()
    change = replace(change, figures=change.figures | {"refill": numbers})
    rows = bench.plan.pits.iloc[0:0]
    coated = replace(bench, plan=replace(bench.plan, pits=rows, figures={
        "pit_actions": {int(n): "slurry_coat" if n != numbers[0] else "fill_two_lifts" for n in bench.pits["pit_id"]}
    }))  # fmt: skip
    data = client.collect_client_report(coated, ReportSettings(), client.Repair(change, bench))
    line = next(line for line in data["change"]["lines"] if "work again" in line)
    assert "6 places" in line
    assert "slurry coat: 5" in line
    assert not any("refill" in line for line in (*data["change"]["lines"], *map(str, data["change"]["states"])))
