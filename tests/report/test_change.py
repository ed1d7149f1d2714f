"""Before and after: states told by form, places brought onto the later plan, one folder of files."""

import json
import math
import re
from dataclasses import replace
from html.parser import HTMLParser

import cv2
import numpy as np
import pytest

from rakelight.core import records
from rakelight.core.settings import ReportSettings
from rakelight.core.tables import parse_csv
from rakelight.report import change_map, client, comparison, frame, html

from .test_work_sheet import NASTY, needs_reader, read_pdf

SMALL = ReportSettings(map_max_side_px=700)


def build_comparison(before, after, shift_mm=(4.0, -3.0)):
    """One row per earlier pit, states in turn; the later plan lies shifted; two new pits at the end."""
    pits = before.pits
    states = np.array(["closed", "dished", "open", "unseen"])[np.arange(len(pits)) % 4]
    is_found = np.isin(states, ("dished", "open"))
    n = len(pits)
    after_x = np.where(is_found, pits["x_mm"] + shift_mm[0], np.nan)
    after_y = np.where(is_found, pits["y_mm"] + shift_mm[1], np.nan)
    table = records.make_table(
        records.CHANGE_COLUMNS,
        {
            "before_id": [*pits["pit_id"], None, None],
            "before_x_mm": [*pits["x_mm"], math.nan, math.nan],
            "before_y_mm": [*pits["y_mm"], math.nan, math.nan],
            "before_diameter_mm": [*pits["diameter_mm"], math.nan, math.nan],
            "state": [*states, "new", "new"],
            "after_id": [
                *(int(i) if f else None for i, f in zip(pits["pit_id"], is_found, strict=True)),
                n + 1,
                n + 2,
            ],
            "after_x_mm": [*after_x, 700.0, 720.0],
            "after_y_mm": [*after_y, 80.0, 90.0],
            "after_diameter_mm": [*np.where(is_found, pits["diameter_mm"], np.nan), 2.0, 3.0],
            "tone_dE00": np.full(n + 2, math.nan),
            "confidence": np.full(n + 2, 0.9),
        },
    )
    counts = {state: int((table["state"] == state).sum()) for state in records.STATES}
    return records.Comparison(
        table=table,
        registration={"matrix": [[1, 0, shift_mm[0]], [0, 1, shift_mm[1]], [0, 0, 1]]},
        figures={
            "counts": counts,
            "sentence": "Most of what was open is closed.",
            "nothing": math.nan,
        },
        before={"stage": "after demold"},
        after={"stage": "after filling"},
        settings={},
        version="0.1.0",
        notes=("Aligned on 30 places.",),
    )


@pytest.fixture(scope="module")
def repair(bench):
    """A comparison of the made-up bench top with itself, some pits closed."""
    return build_comparison(bench, bench)


def test_earlier_places_are_brought_onto_the_later_plan(bench, repair):
    """A closed pit is drawn where the registration puts it: 4 mm right and 3 mm up here."""
    states, x_mm, y_mm = change_map.place_states(repair)
    closed = np.flatnonzero(states == "closed")
    assert x_mm[closed] == pytest.approx(bench.pits["x_mm"].to_numpy()[closed] + 4.0, abs=1e-9)
    assert y_mm[closed] == pytest.approx(bench.pits["y_mm"].to_numpy()[closed] - 3.0, abs=1e-9)
    assert [700.0, 720.0] == list(x_mm[-2:])


def test_states_differ_in_form_without_colour(bench, monkeypatch):
    """With one colour for all, no two states look alike: their shapes differ in a fifth or more."""
    monkeypatch.setattr(change_map, "STATE_COLOURS", dict.fromkeys(records.STATES, (255, 255, 255)))
    shapes = {}
    for state in records.STATES:
        sheet = frame.lay_out(bench, SMALL, legend_lines=2)
        sheet.rgb[:] = 128
        change_map.draw_state(sheet, (300.0, 200.0), state, 14.0)
        shapes[state] = sheet.rgb[170:230, 270:330, 0] > 160
    names = list(shapes)
    for i, one in enumerate(names):
        for other in names[i + 1 :]:
            union = (shapes[one] | shapes[other]).sum()
            assert (shapes[one] ^ shapes[other]).sum() / union > 0.2, (one, other)


def test_count_leaves_out_what_the_photo_could_not_show(bench, repair):
    """Closed over closed, dished and open; unseen and new pits are in neither number."""
    closed, n = change_map.count_closed(repair)
    n_pits = len(bench.pits)
    assert closed == math.ceil(n_pits / 4)
    assert n == n_pits - n_pits // 4


def test_pair_has_both_faces_at_one_scale(make_inspection):
    """Upright pair side by side, wide pair stacked; the two faces take the same room."""
    wide = make_inspection(size_mm=(1200.0, 400.0), n_pits=4, has_opening=False)
    square = make_inspection(size_mm=(600.0, 600.0), n_pits=4, has_opening=False)
    for face, is_stacked in ((wide, True), (square, False)):
        pair = change_map.draw_pair(face, face, settings=SMALL)
        aspect = pair.shape[0] / pair.shape[1]
        assert is_stacked == (aspect > 0.65)
        grey = cv2.cvtColor(pair, cv2.COLOR_RGB2GRAY)
        is_face = (grey > 60) & (grey < 230)
        profile = is_face.mean(axis=1 if is_stacked else 0) > 0.5
        starts = np.flatnonzero(np.diff(np.r_[0, profile.astype(int)]) == 1)
        ends = np.flatnonzero(np.diff(np.r_[profile.astype(int), 0]) == -1)
        lengths = sorted((ends - starts + 1).tolist())[-2:]
        assert lengths[0] == pytest.approx(lengths[1], abs=2)


@pytest.mark.parametrize(
    ("from_deg", "words"),
    [(275.0, "same side"), (90.0, "different sides"), (math.nan, "not known")],
)
def test_pair_says_whether_the_light_compares(bench, from_deg, words):
    """Within 20 degrees the light is the same; else the shadows must not be compared."""
    other = replace(bench, lamp=replace(bench.lamp, from_deg=from_deg))
    from rakelight.report.words import load_words

    assert words in change_map._say_light(bench, other, load_words("en"))


def test_comparison_folder_is_exact_and_reads_back(bench, repair, tmp_path):
    """Six files, the table with its declared columns, strict JSON without NaN."""
    paths = comparison.write_comparison(repair, bench, bench, tmp_path / "c", settings=SMALL)
    expected = [
        "change.json",
        "change.csv",
        "change.png",
        "before_after.png",
        "report.pdf",
        "report.html",
    ]
    assert expected == [path.name for path in paths]
    assert sorted(expected) == sorted(path.name for path in (tmp_path / "c").iterdir())
    back = parse_csv(tmp_path / "c" / "change.csv", records.CHANGE_COLUMNS)
    assert list(repair.table["state"]) == list(back["state"])
    assert list(repair.table["after_id"].fillna(-1)) == list(back["after_id"].fillna(-1))
    summary = json.loads((tmp_path / "c" / "change.json").read_text(encoding="utf-8"))
    assert summary["figures"]["nothing"] is None
    assert repair.figures["counts"] == summary["figures"]["counts"]


def test_record_without_its_photo_still_gives_a_report(bench, repair, tmp_path):
    """A record from the log whose picture was not kept: pictures are drawn without the photo."""
    bare_face = records.FaceMap(np.zeros((0, 0, 3), np.uint8), np.zeros((0, 0), bool), 1.0)
    bare = replace(bench, face=bare_face)
    paths = comparison.write_comparison(repair, bare, bare, tmp_path / "c", settings=SMALL)
    assert all(path.stat().st_size > 500 for path in paths)


@needs_reader
def test_report_with_a_repair_is_two_pages(bench, repair, tmp_path):
    """Front with the pair and the states, back with the map; the sentence of the comparison is told."""
    path = client.write_client_report(
        bench, tmp_path / "r.pdf", settings=SMALL, change=repair, before=bench
    )
    pages = read_pdf(path, "-raw")
    assert len(pages) == 2
    front = re.sub(r"\s+", " ", pages[0])
    for words in (
        "What the repair did",
        "Most of what was open is closed",
        "sunk",
        "not seen",
    ):
        assert words in front


class Page(HTMLParser):
    """Collects tags, addresses and text of a page."""

    def __init__(self, content):
        super().__init__()
        self.tags, self.addresses, self.texts, self.alts = [], [], [], []
        self.feed(content)

    def handle_starttag(self, tag, attrs):
        """Note the tag and whatever it points to."""
        self.tags.append(tag)
        values = dict(attrs)
        self.addresses += [v for k, v in attrs if k in ("src", "href", "action", "srcset")]
        if tag == "img":
            self.alts.append(values.get("alt"))

    def handle_data(self, data):
        """Note the text."""
        self.texts.append(data)


def test_html_needs_nothing_from_outside(bench, repair, tmp_path):
    """No script, no link, no address but data; the browser is told to fetch nothing."""
    path = html.write_html_report(
        bench, tmp_path / "r.html", settings=SMALL, change=repair, before=bench
    )
    content = path.read_text(encoding="utf-8")
    page = Page(content)
    assert not {"script", "link", "iframe", "object", "form"} & set(page.tags)
    assert all(address.startswith("data:image/") for address in page.addresses)
    assert "default-src 'none'" in content
    assert not re.search(r"https?://", content)
    assert all(page.alts)
    assert page.tags.count("h1") == 1
    text = " ".join(page.texts)
    for words in ("What was agreed", "What was found", "19 times in 20", "What the repair did"):
        assert words in text
    assert "slide the picture sideways" in text


@pytest.mark.parametrize("name", NASTY)
def test_html_prints_names_as_names(bench, tmp_path, name):
    """No name becomes a tag, an attribute or a script."""
    job = dict.fromkeys(("job", "slab", "client", "site", "stage"), name)
    agreed = bench.settings | {"agreed": {"limit": name, "sample": name, "is_met": None}}
    face = replace(bench, job=job, settings=agreed, limits_of_this_answer=(name,), warnings=(name,))
    settings = ReportSettings(map_max_side_px=400, shop_name=name)
    page = Page(
        html.write_html_report(face, tmp_path / "r.html", settings=settings).read_text("utf-8")
    )
    assert "script" not in page.tags
    plain = Page(
        html.write_html_report(bench, tmp_path / "p.html", settings=SMALL).read_text("utf-8")
    )
    assert set(page.tags) == set(plain.tags)
