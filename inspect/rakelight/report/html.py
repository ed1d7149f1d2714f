"""The client report as one HTML file that needs nothing else: no script, no address, no font outside.

The page is built as a tree of elements, so every text is text whatever a person typed.
"""

import base64
from importlib import resources
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as Tree

from rakelight.core.records import Comparison, Inspection
from rakelight.core.settings import ReportSettings

from .client import Repair, collect_client_report, draw_pictures, encode_jpeg
from .wipe import lay_over

# The browser itself is told to fetch nothing and run nothing.
_POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; font-src data:"
_WIPE_PX = 1400
_FACES = (("Barlow-Regular.ttf", 400), ("Barlow-Bold.ttf", 700))


def write_html_report(
    inspection: Inspection,
    path: str | Path,
    *,
    settings: ReportSettings | None = None,
    change: Comparison | None = None,
    before: Inspection | None = None,
) -> Path:
    """Write the client report as one self-contained HTML file and return its path.

    Parameters as `client.write_client_report`; the words and figures are the same.

    Errors of the answer: those of the record. Source: our choice.
    """
    settings = settings or ReportSettings()
    repair = Repair(change, before) if change is not None else None
    data = collect_client_report(inspection, settings, repair)
    pictures = draw_pictures(inspection, settings, repair) | _draw_wipe(inspection, repair)
    path = Path(path)
    path.write_text(build_page(data, pictures), encoding="utf-8", newline="")
    return path


def _draw_wipe(inspection: Inspection, repair: Repair | None) -> dict[str, bytes]:
    """Both faces on one plan, to be wiped; nothing when there was no repair or no face was kept."""
    if repair is None or repair.before is None:
        return {}
    pair = lay_over(repair.before, inspection, repair.change, side_px=_WIPE_PX)
    names = ("wipe_before.jpg", "wipe_after.jpg")
    return {name: encode_jpeg(face) for name, face in zip(names, pair or (), strict=False)}


def build_page(data: dict[str, Any], pictures: dict[str, bytes]) -> str:
    """Return the HTML of a report from its plain values and pictures."""
    page = Tree.Element("html", lang=data["language"])
    head = _add(page, "head")
    _add(head, "meta", charset="utf-8")
    _add(head, "meta", {"http-equiv": "Content-Security-Policy", "content": _POLICY})
    _add(head, "meta", name="viewport", content="width=device-width, initial-scale=1")
    _add(head, "title", text=f"{data['title']} · {data['words']['title']}")
    _add(head, "style", text=_read_style())
    main = _add(_add(page, "body"), "main")
    _add_front(main, data, pictures)
    _add_findings(main, data)
    _add_back(main, data, pictures)
    _add(main, "footer", text=data["footer"])
    return "<!DOCTYPE html>\n" + Tree.tostring(page, encoding="unicode", method="html") + "\n"


def _add_front(main: Tree.Element, data: dict[str, Any], pictures: dict[str, bytes]) -> None:
    words = data["words"]
    head = _add(main, "header")
    if "logo.png" in pictures:
        _add_picture(head, pictures["logo.png"], "png", data["shop"], {"class": "logo"})
    if data["shop"]:
        _add(head, "p", {"class": "shop"}, text=data["shop"], dir="auto")
    _add(head, "p", {"class": "soft"}, text=words["title"])
    _add(main, "h1", text=data["title"], dir="auto")
    if data["native_reader"]:
        _add(main, "p", {"class": "soft"}, text=data["native_reader"])
    if data["warning"]:
        _add(main, "p", {"class": "warning", "role": "alert"}, text=data["warning"])
    terms = _add(main, "dl", {"class": "head"})
    for name, value in data["head"]:
        entry = _add(terms, "div")
        _add(entry, "dt", text=name)
        _add(entry, "dd", text=value, dir="auto")
    if "wipe_before.jpg" in pictures:
        _add_wipe(main, data, pictures)
    is_pair = "pair.jpg" in pictures
    caption = data["change_words"]["pair"] if is_pair else words["picture"]
    _add_figure(main, pictures["pair.jpg" if is_pair else "face.jpg"], caption)


def _add_findings(main: Tree.Element, data: dict[str, Any]) -> None:
    words, result, change = data["words"], data["result"], data["change"]
    columns = _add(main, "div", {"class": "columns"})
    left, right = _add(columns, "div"), _add(columns, "div")
    _add_section(left, words["agreed_title"], data["agreed"])
    if change is not None:
        section = _add_section(left, words["after_title"], [])
        _add(section, "p", {"class": "large"}, text=change["headline"])
        _add_table(section, [], [[name, n] for _, name, n in change["states"]])
        _add_lines(section, change["lines"])
    _add_section(left, words["plan_again" if data["change"] else "plan_title"], data["plan"])
    _add_section(left, words["tone_title"], data["tone"])
    section = _add_section(right, words["result_title"], [])
    figure = _add(section, "p", {"class": "figure"})
    _add(figure, "strong", text=result["per_area"])
    _add(figure, "span", text=f"{result['unit']} · {result['pits']}")
    if result["n_pits"]:
        _add_table(section, [words["size"], words["count"]], result["bands"])
    _add_lines(section, result["lines"])
    if result["verdict"]:
        _add(_add(section, "p"), "strong", text=result["verdict"])
    _add_section(right, words["look_title"], [data["look"]])


def _add_back(main: Tree.Element, data: dict[str, Any], pictures: dict[str, bytes]) -> None:
    words, tone = data["words"], data["tone_words"]
    if "tone.jpg" in pictures:
        section = _add_section(main, tone["title"], [])
        _add_figure(section, pictures["tone.jpg"], tone["title"])
        _add_figure(section, pictures["strips.jpg"], tone["strips"])
        patches = data["tone_page"]["patches"]
        if patches:
            _add_lines(section, [data["tone_page"]["count"]])
            _add_table(section, [], [[patch["name"], patch["tone"]] for patch in patches])
    if "change.jpg" in pictures:
        section = _add_section(main, data["change_words"]["table_title"], [])
        _add_figure(section, pictures["change.jpg"], data["change"]["note"])
    if data["grades"]:
        section = _add_section(main, words["grade_title"], [words["grade_note"]])
        names = [words[f"grade_{key}"] for key in ("scheme", "class", "figure", "rule")]
        rows = [
            [
                grade["title"],
                " · ".join(filter(None, (grade["class_name"], grade["range"]))),
                grade["figure"],
                " · ".join(filter(None, (grade["rule"], grade["source"], grade["doubts"]))),
            ]
            for grade in data["grades"]
        ]
        _add_table(section, names, rows)
    section = _add_section(main, words["method_title"], [])
    points = _add(section, "ul")
    for line in data["findings"] + data["method"] + data["limits"] + data["warnings"]:
        _add(points, "li", text=line, dir="auto")
    section = _add_section(main, words["care_title"], [])
    _add_blanks(section, words["care"])
    section = _add_section(main, words["sign_title"], [words["sign_note"]])
    _add_blanks(section, [words[f"sign_{who}"] for who in ("finisher", "client", "date")])


def _add(
    parent: Tree.Element,
    tag: str,
    attributes: dict[str, str] | None = None,
    /,
    text: str = "",
    **more: str,
) -> Tree.Element:
    element = Tree.SubElement(parent, tag, {**(attributes or {}), **more})
    element.text = text
    return element


def _add_section(parent: Tree.Element, title: str, lines: list[str]) -> Tree.Element:
    section = _add(parent, "section")
    _add(section, "h2", text=title)
    _add_lines(section, lines)
    return section


def _add_lines(parent: Tree.Element, lines: list[str]) -> None:
    for line in lines:
        _add(parent, "p", text=line, dir="auto")


def _add_table(parent: Tree.Element, names: list[str], rows: list[list[str]]) -> None:
    table = _add(_add(parent, "div", {"class": "scroll"}), "table")
    if names:
        top = _add(_add(table, "thead"), "tr")
        for name in names:
            _add(top, "th", scope="col", text=name)
    body = _add(table, "tbody")
    for first, *others in rows:
        row = _add(body, "tr")
        _add(row, "th", scope="row", text=first)
        for cell in others:
            _add(row, "td", text=cell)


def _add_blanks(parent: Tree.Element, names: list[str]) -> None:
    blanks = _add(parent, "div", {"class": "blanks"})
    for name in names:
        _add(blanks, "span", text=name)


def _add_figure(parent: Tree.Element, jpeg: bytes, caption: str) -> None:
    figure = _add(parent, "figure")
    _add_picture(figure, jpeg, "jpeg", caption)
    _add(figure, "figcaption", text=caption)


def _add_wipe(main: Tree.Element, data: dict[str, Any], pictures: dict[str, bytes]) -> None:
    """Two pictures in a frame that scrolls sideways: the earlier one leaves, the later one stays.

    No script is needed, so a finger, the keyboard and a wheel all work, and print shows both.
    """
    words = data["change_words"]
    figure = _add(main, "figure")
    told = {"class": "wipe", "tabindex": "0", "role": "group", "aria-label": words["wipe"]}
    track = _add(_add(figure, "div", told), "div", {"class": "track"})
    for name, title in (("after", words["after"]), ("before", words["before"])):
        layer = _add(track, "div", {"class": name})
        _add_picture(layer, pictures[f"wipe_{name}.jpg"], "jpeg", title)
    _add(figure, "figcaption", text=words["wipe"])


def _add_picture(
    parent: Tree.Element, content: bytes, kind: str, alt: str, attributes: dict | None = None
) -> None:
    source = f"data:image/{kind};base64,{base64.b64encode(content).decode('ascii')}"
    _add(parent, "img", attributes or {}, src=source, alt=alt)


def _read_style() -> str:
    """Return the style sheet with the faces inside it."""
    data = resources.files("rakelight.data")
    faces = []
    for name, weight in _FACES:
        content = base64.b64encode(data.joinpath("fonts", name).read_bytes()).decode("ascii")
        faces.append(
            f"@font-face{{font-family:Barlow;font-weight:{weight};"
            f"src:url(data:font/ttf;base64,{content})}}"
        )
    style = data.joinpath("html", "client_report.css").read_text(encoding="utf-8")
    return "\n".join([*faces, style])
