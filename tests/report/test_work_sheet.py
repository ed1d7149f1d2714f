"""The printed work sheet: what it must carry, where every pit is, and names that stay names."""

import re
import shutil
import subprocess
from dataclasses import replace

import numpy as np
import pytest

from rakelight.core.flags import flag_bit
from rakelight.core.settings import ReportSettings
from rakelight.core.units import format_inches
from rakelight.report import choices, client, figures, work_sheet
from rakelight.report.words import load_words

NASTY = [
    '#panic("boom")',
    '#read("data.json") #{1+1} $x^2$ *b* _i_ \\ ] [ "q" // end',
    "<script>alert(1)</script> & {n} {0.__class__}",
    "שיש מטבח של דנה",
    "كونترتوب مطبخ",
    "Σκυρόδεμα Бетон 台所 🪨",
    "\u202etxet desrever\u0000\x1b[31m",
    "x" * 5000,
]
needs_reader = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="needs pdftotext (poppler-utils)"
)


def read_pdf(path, *flags):
    """Pages of a PDF as text, each with its layout unless other flags are given."""
    how = flags or ("-layout",)
    run = subprocess.run(["pdftotext", *how, path, "-"], capture_output=True, check=True)
    return run.stdout.decode("utf-8").split("\f")[:-1]


def lines_of(sheet):
    """All table lines of a sheet's data."""
    return [line for page in sheet["pages"] for column in page for line in column]


@needs_reader
def test_sheet_carries_what_a_finisher_needs(bench, tmp_path):
    """Origin, limits of the count, test patch before advice, amounts, order, safety, lamp, date."""
    pages = read_pdf(work_sheet.write_work_sheet(bench, tmp_path / "w.pdf"))
    text = re.sub(r"\s+", " ", " ".join(pages))
    for words in (
        "FRONT LEFT corner", "1.1 mm or larger", "open at the surface", "not a verdict",
        "Light from the left", "Photo of 2026-03-14", "silica", "Wet cement", "Sealers", "carry on edge",
        "product sheets", "Largest first".upper(), "Powder g", "Liquid g", "Mixed at", "Air °", "done",
    ):  # fmt: skip
        assert words in text, words
    assert text.index("Test patch first") < text.index("What the plan says")
    assert len(pages) == 5  # two of the plan, two areas of 600 mm, one of choices


@needs_reader
def test_every_line_of_the_table_is_on_paper(bench, tmp_path):
    """Each listed pit stands on its page with mm and inches from left and from front."""
    pages = read_pdf(work_sheet.write_work_sheet(bench, tmp_path / "w.pdf"))
    for number in (1, 2):
        page = next(p for p in pages if f"Sheet {number} of 2" in p)
        tight = re.sub(r"\s+", " ", page)
        ids = bench.pits[(bench.pits["x_mm"] < 600) == (number == 1)]
        for pit in ids.itertuples():
            front_mm = 700 - pit.y_mm
            row = f"{pit.pit_id} {pit.x_mm:.0f} {front_mm:.0f} {format_inches(pit.x_mm)} {format_inches(front_mm)}"
            assert row in tight


def test_distances_are_measured_from_the_front_left(bench):
    """Expected by hand: x from the left; the slab's depth of 700 mm less y from the front."""
    data = work_sheet.collect_work_sheet(bench, ReportSettings())
    lines = {line["no"]: line for sheet in data["sheets"] for line in lines_of(sheet)}
    for pit in bench.pits.itertuples():
        assert f"{pit.x_mm:.0f}" == lines[pit.pit_id]["left_mm"]
        assert f"{700 - pit.y_mm:.0f}" == lines[pit.pit_id]["front_mm"]
        # 13/16 of an inch is at most 1/32 in = 0.8 mm off.
        assert format_inches(pit.x_mm) == lines[pit.pit_id]["left_in"]


def test_pits_stand_in_walking_order_and_largest_first(bench):
    """The table goes by number; the list beside it by falling diameter."""
    for sheet in work_sheet.collect_work_sheet(bench, ReportSettings())["sheets"]:
        numbers = [line["no"] for line in lines_of(sheet)]
        assert sorted(numbers) == numbers
        largest = [float(entry["size"].removesuffix(" mm")) for entry in sheet["largest"]]
        assert sorted(largest, reverse=True) == largest
        assert len(largest) <= 8


def test_drawing_is_true_to_scale(bench):
    """Radius and place on paper, times the scale, are the pit's own in mm."""
    sheet = work_sheet.collect_work_sheet(bench, ReportSettings())["sheets"][0]
    scale = sheet["map"]["width"] / 600
    assert sheet["map"]["height"] == pytest.approx(700 * scale, rel=1e-9)
    by_id = bench.pits.set_index("pit_id")
    for drawn in sheet["map"]["pits"]:
        pit = by_id.loc[drawn["no"]]
        assert drawn["r"] / scale == pytest.approx(pit["diameter_mm"] / 2, rel=1e-9)
        assert drawn["x"] / scale == pytest.approx(pit["x_mm"], abs=1e-6)
        assert drawn["y"] / scale == pytest.approx(pit["y_mm"], abs=1e-6)


def test_crowded_area_lists_hand_work_and_says_so(make_inspection):
    """Above 60 pits in an area only those filled or mended by hand are listed, with a sentence."""
    crowded = make_inspection(n_pits=330, size_mm=(1200.0, 700.0))
    sheets = work_sheet.collect_work_sheet(crowded, ReportSettings())["sheets"]
    assert all(sheet["note"] for sheet in sheets)
    for sheet in sheets:
        assert lines_of(sheet)
        assert all(line["is_by_hand"] for line in lines_of(sheet))


@pytest.mark.parametrize("units", ["mm", "in"])
def test_pits_without_a_line_are_found_in_the_close_list(make_inspection, units):
    """Every pit of a printed sheet stands once, in its list or in the close one, with its place."""
    crowded = make_inspection(n_pits=330, size_mm=(1200.0, 700.0))
    sheets = work_sheet.collect_work_sheet(crowded, ReportSettings(units=units))["sheets"]
    assert len(sheets) == 2
    listed = [line["no"] for sheet in sheets for line in lines_of(sheet)]
    rest = [line for sheet in sheets for page in sheet["rest"]["pages"] for c in page for line in c]
    assert sorted(crowded.pits["pit_id"]) == sorted(listed + [int(line[0]) for line in rest])
    by_id = crowded.pits.set_index("pit_id")
    for number, left, front, _, do in rest:
        pit = by_id.loc[int(number)]
        places = (pit["x_mm"], 700 - pit["y_mm"])
        told = [format_inches(v) if units == "in" else f"{v:.0f}" for v in places]
        assert told == [left, front]
        assert do in ("coat", "leave")


def test_close_list_says_when_it_is_not_whole(make_inspection, monkeypatch):
    """Above the most that are listed the largest stand there, and the title says where all are."""
    monkeypatch.setattr("rakelight.report.rest.MOST_LISTED", 20)
    crowded = make_inspection(n_pits=330, size_mm=(600.0, 700.0), has_opening=False)
    rest = work_sheet.collect_work_sheet(crowded, ReportSettings())["sheets"][0]["rest"]
    lines = [line for page in rest["pages"] for column in page for line in column]
    assert len(lines) == 20
    assert "pits.csv" in rest["title"]


def test_crowded_drawing_has_a_page_of_its_own(make_inspection):
    """More than 60 lines: the drawing takes the page, the list starts on the next one."""
    crowded = make_inspection(n_pits=260, size_mm=(600.0, 700.0), has_opening=False)
    chosen = crowded.pits[["pit_id"]].assign(field="A1", action="fill", paste_g=0.1)
    crowded = replace(crowded, plan=replace(crowded.plan, pits=chosen))
    sheet = work_sheet.collect_work_sheet(crowded, ReportSettings())["sheets"][0]
    assert sheet["is_wide"]
    assert sheet["pages"][0] == [[], []]
    n_unnumbered = 260 - len(sheet["map"]["labels"])
    assert (f"{n_unnumbered} numbers had no room" in sheet["note"]) == (n_unnumbered > 0)


def test_grams_of_all_pages_add_up(bench):
    """What goes onto the face, what stays in the pots and the rounding make what is weighed."""
    amounts = {
        "holes_g": 8.6, "film_g": 131.7, "remainder_g": 100.0, "paste_g": 240.3, "mix_g": 245.0,
        "n_batches": 2, "batch_g": 190.0, "batches": [
            {"stage": "large pits", "n": 1, "g_each": 55.0, "feel": "as toothpaste", "liquid_g": 15.7},
            {"stage": "slurry coat", "n": 1, "g_each": 190.0, "feel": "", "liquid_g": float("nan")},
        ],
    }  # fmt: skip
    told = work_sheet.collect_work_sheet(
        replace(bench, plan=replace(bench.plan, amounts=amounts)), ReportSettings()
    )["cover"]
    assert "on the face 140 g" in told["total"]
    assert "weigh 245 g" in told["total"]
    assert told["paste"] == [
        "Weigh 245 g in all: 8.6 g into pits, 132 g film of the coat, 100 g left in the pots, "
        "4.7 g to round up the batches."
    ]
    assert told["batches"][0] == {
        "name": "large pits, 55 g", "feel": "as toothpaste", "powder": "39", "liquid": "16",
    }  # fmt: skip
    assert told["batches"][1]["powder"] == ""


@pytest.mark.parametrize(
    ("amounts", "expected"),
    [
        (
            {"batches": [{"stage": "fill", "n": 9, "g_each": 190.0}, {"stage": "coat", "n": 1, "g_each": 55.0}]},
            ["9 × fill, 190 g", "coat, 55 g", "", ""],
        ),
        ({"n_batches": 12, "batch_g": 190.0}, ["12 × 190 g", "", ""]),
        ({"batches": [{"stage": "fill", "n": 2, "g_each": 50.0}] * 10}, ["2 × fill, 50 g"] * 7 + ["+ 6"]),
    ],
)  # fmt: skip
def test_no_batch_is_lost_where_the_lines_run_out(bench, amounts, expected):
    """Equal batches share a line when there are more than lines; what still has none is counted."""
    plan = replace(bench.plan, amounts=amounts)
    told = work_sheet.collect_work_sheet(replace(bench, plan=plan), ReportSettings())["cover"]
    assert expected == [batch["name"] for batch in told["batches"]]


def test_field_names_every_kind_of_work(bench):
    """A field with one void and many small pits never reads as all by eye."""
    name = bench.plan.fields.loc[bench.plan.fields["action"] == "fill", "field"].iloc[0]
    pits = bench.pits[["pit_id"]].assign(field=name, action="fill", paste_g=0.1)
    pits.loc[0, "action"] = "repair_by_eye"
    told = work_sheet.collect_work_sheet(
        replace(bench, plan=replace(bench.plan, pits=pits)), ReportSettings()
    )
    field = next(f for f in told["cover"]["overview"]["fields"] if f["name"] == name)
    assert field["do"] == [f"fill: {len(pits) - 1}", "by eye: 1"]


def test_long_list_goes_on_another_page_without_loss(make_inspection):
    """When all pits are filled by hand, every one has a line, page after page."""
    crowded = make_inspection(n_pits=260, has_opening=False)
    chosen = crowded.pits[["pit_id"]].assign(field="A1", action="fill", paste_g=0.1)
    crowded = replace(crowded, plan=replace(crowded.plan, pits=chosen))
    data = work_sheet.collect_work_sheet(crowded, ReportSettings(paper="us-letter"))
    numbers = [line["no"] for sheet in data["sheets"] for line in lines_of(sheet)]
    assert sorted(crowded.pits["pit_id"]) == sorted(numbers)
    assert max(len(sheet["pages"]) for sheet in data["sheets"]) > 1


@needs_reader
def test_continued_pages_stay_within_the_paper(make_inspection, tmp_path):
    """The number of printed pages is the number of pages that were laid out."""
    crowded = make_inspection(n_pits=260, has_opening=False)
    chosen = crowded.pits[["pit_id"]].assign(field="A1", action="fill", paste_g=0.1)
    crowded = replace(crowded, plan=replace(crowded.plan, pits=chosen))
    for paper in ("a4", "us-letter"):
        settings = ReportSettings(paper=paper)
        data = work_sheet.collect_work_sheet(crowded, settings)
        pages = read_pdf(
            work_sheet.write_work_sheet(crowded, tmp_path / "w.pdf", settings=settings)
        )
        rest = sum(len(sheet["rest"]["pages"]) for sheet in data["sheets"] if sheet["rest"])
        assert len(pages) == 3 + rest + sum(len(sheet["pages"]) for sheet in data["sheets"])


@needs_reader
def test_clean_slab_is_one_page_that_says_so(clean_bench, tmp_path):
    """Nothing found: one page, how much was seen, and still the safety lines."""
    pages = read_pdf(work_sheet.write_work_sheet(clean_bench, tmp_path / "w.pdf"))
    assert len(pages) == 1
    text = re.sub(r"\s+", " ", pages[0])
    assert "Nothing to fill" in text
    assert "1.1 mm or larger" in text
    assert "silica" in text


@needs_reader
def test_paper_and_units_as_asked(bench, tmp_path):
    """Letter paper has 612 x 792 points; with inches chosen they stand before mm."""
    settings = ReportSettings(paper="us-letter", units="in")
    path = work_sheet.write_work_sheet(bench, tmp_path / "w.pdf", settings=settings)
    info = subprocess.run(["pdfinfo", path], capture_output=True, text=True, check=True).stdout
    assert "612 x 792" in info
    page = re.sub(r"\s+", " ", next(p for p in read_pdf(path) if "Sheet 1 of" in p))
    pit = bench.pits[bench.pits["x_mm"] < 600].iloc[0]
    assert (
        f"{pit['pit_id']} {format_inches(pit['x_mm'])} {format_inches(700 - pit['y_mm'])}" in page
    )


@needs_reader
@pytest.mark.parametrize("name", NASTY)
def test_names_are_printed_as_names(bench, tmp_path, name):
    """No name runs, breaks the page or adds one; what can be read of it stands there."""
    job = {"job": name, "slab": "S", "client": name, "site": name, "stage": name}
    path = work_sheet.write_work_sheet(replace(bench, job=job), tmp_path / "w.pdf")
    pages = read_pdf(path)
    assert len(pages) == 5
    if name.startswith(("#", "<")):
        assert name[:12] in pages[0]


def test_same_record_gives_the_same_bytes(bench, tmp_path):
    """Twice the same file; another record another file."""
    one, two = (work_sheet.write_work_sheet(bench, tmp_path / n).read_bytes() for n in ("a", "b"))
    assert one == two
    other = work_sheet.write_work_sheet(replace(bench, job={"slab": "T"}), tmp_path / "c")
    assert one != other.read_bytes()


def test_unknown_amounts_and_times_are_left_out(bench):
    """NaN, missing and odd values of a plan give lines without figures, never the word nan."""
    plan = replace(
        bench.plan,
        amounts={"paste_g": float("nan"), "n_batches": None, "batch_g": "much"},
        order=({"title": "Wait", "wait_min": float("nan")}, {"text": "Look"}),
    )
    data = work_sheet.collect_work_sheet(replace(bench, plan=plan), ReportSettings())
    assert "nan" not in str(data["cover"]["paste"]) + str(data["cover"]["order"])
    assert ["", ""] == [batch["name"] for batch in data["cover"]["batches"]]
    assert data["cover"]["total"] == ""


@pytest.mark.parametrize(
    ("minutes", "expected"),
    [(45, "45 min"), (60, "1 h"), (150, "2 h 30 min"), (1440, "24 h"), (2880, "2 days")],
)
def test_times_read_as_people_say_them(minutes, expected):
    """Worked by hand."""
    assert expected == work_sheet.say_minutes(minutes, load_words("en"))


def test_choices_show_plans_crossing_and_questions(bench):
    """Alternatives, the crossing point and hints are told when the plan has them, else left out."""
    words = load_words("en")
    assert choices.collect_choices(bench, words, "mm")["crossing"] is None
    curve = [
        {"holes_per_m2": float(n), "fill_min_per_m2": n / 2, "coat_min_per_m2": 25.0}
        for n in (0, 100)
    ]
    figures = {
        "alternatives": [{"name": "A", "title": "least cost", "minutes": 40.2, "paste_g": 4.0}],
        "crossing": {"holes_per_m2": 50.0, "fill_min_per_pit": 0.5, "coat_min_per_m2": 25.0,
                     "is_assumed": True, "curve": curve},
        "hints": [{"question": "Why here?", "causes": [{"text": "heaps"}, {"text": "oil"}]}],
    }  # fmt: skip
    told = choices.collect_choices(
        replace(bench, plan=replace(bench.plan, figures=figures)), words, "in"
    )
    # 50 per m2 are 50 x 0.09290304 = 4.6 per ft2, 25 min per m2 are 2.3 min per ft2.
    assert told["crossing"]["at_name"] == "4.6"
    assert "2.3 min per ft²" in told["crossing"]["times"]
    assert told["crossing"]["axis_time"] == "min per ft²"
    assert told["crossing"]["cost"] == 25.0
    assert "Assumed" in told["crossing"]["times"]
    assert told["plans"][0]["minutes"] == "40"
    assert told["plans"][0]["money"] == "–"
    assert told["hints"][0]["causes"] == "heaps · oil"


def test_plans_that_differ_in_nothing_share_a_row(bench):
    """Plan C equal to A is named in A's row; B keeps its own."""
    plans = [
        {"name": "A", "title": "least cost", "minutes": 47.0, "same_as": ""},
        {"name": "B", "title": "by hand", "minutes": 129.0, "same_as": ""},
        {"name": "C", "title": "coat all", "minutes": 47.0, "same_as": "A"},
    ]
    plan = replace(bench.plan, figures={"alternatives": plans})
    rows = choices.collect_choices(replace(bench, plan=plan), load_words("en"), "mm")["plans"]
    assert ["A", "B"] == [row["name"] for row in rows]
    assert "C (coat all) is the same plan" in rows[0]["title"]


@pytest.mark.parametrize("verdict", ["good", "doubtful"])
def test_sheet_and_report_judge_the_photo_with_one_word(bench, verdict):
    """The verdict of the record, whether or not there are notes."""
    judged = replace(
        bench, quality=replace(bench.quality, verdict=verdict), warnings=("Lens not known.",)
    )
    title = work_sheet.collect_work_sheet(judged, ReportSettings())["trust"]["title"]
    method = client.collect_client_report(judged, ReportSettings())["method"][0]
    word = {"good": "good", "doubtful": "sable with doubts"}[verdict]
    assert word in title
    assert word in method


@pytest.mark.parametrize(
    ("verdict", "expected"), [("retake", "Take this photo again"), ("doubtful", "with doubts")]
)
def test_doubtful_photo_stands_above_everything(bench, verdict, expected):
    """A photo that must not be relied on is named on sheet, map and client report."""
    doubted = replace(
        bench, quality=replace(bench.quality, verdict=verdict, advice=("Lower the lamp.",))
    )
    trust = work_sheet.collect_work_sheet(doubted, ReportSettings())["trust"]
    assert expected in trust["title"]
    assert "Lower the lamp." in trust["text"]
    told = client.collect_client_report(doubted, ReportSettings())["warning"]
    assert ("taken again" in told) == (verdict == "retake")


@needs_reader
@pytest.mark.parametrize("units", ["mm", "in"])
def test_contradicted_lamp_side_cannot_be_overlooked(bench, units, tmp_path):
    """Sheet, every page of it, map and client report say to check the lamp's side before anything is filled."""
    note = "The pits look lit from the left (270 degrees): check the lamp side."
    lamp = replace(bench.lamp, flags=flag_bit("lamp_side_contradicted"), notes=(note,))
    quality = replace(bench.quality, verdict="doubtful", advice=(note,))
    wrong = replace(bench, lamp=lamp, quality=quality, warnings=(note, "Lens not known."))
    settings = ReportSettings(units=units)
    trust = work_sheet.collect_work_sheet(wrong, settings)["trust"]
    assert "Check the lamp's side before you fill anything." == trust["title"]
    assert trust["is_grave"]
    assert 1 == trust["text"].count("look lit from the left")
    told = client.collect_client_report(wrong, settings)
    assert "Check the lamp's side" in told["warning"]
    assert not np.array_equal(figures.draw_map(wrong), figures.draw_map(bench))
    pages = read_pdf(work_sheet.write_work_sheet(wrong, tmp_path / "w.pdf", settings=settings))
    flat = [re.sub(r"\s+", " ", page).replace("’", "'") for page in pages]
    assert all("Check the lamp's side before you fill anything." in page for page in flat)
    assert 5 == len(pages)


def test_good_photo_without_warnings_has_no_banner(bench):
    """Nothing to doubt, nothing printed; a warning of the record is printed even then."""
    assert work_sheet.collect_work_sheet(bench, ReportSettings())["trust"] is None
    warned = replace(bench, warnings=("The photo looks lit from the other side.",))
    trust = work_sheet.collect_work_sheet(warned, ReportSettings())["trust"]
    assert "other side" in trust["text"]
