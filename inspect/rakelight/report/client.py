"""The client report: one or two pages a client keeps, without score and without stamp.

The front says what was agreed, what was found with its range, what is done and what stays,
and how to look at it; the back says how it was made and what it cannot say.
"""

import math
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd

from rakelight.core.records import ACTIONS, STATES, Comparison, Grade, Inspection
from rakelight.core.settings import ReportSettings
from rakelight.core.units import MM2_PER_FT2, MM2_PER_M2

from . import facts
from .change_map import count_closed, draw_change, draw_pair
from .crowds import say_crowds
from .figures import draw_face
from .logo import read_logo
from .pages import typeset
from .tone_page import collect_tone_page, draw_tone_pictures
from .units import say_in, tell_sentence
from .words import Words, clean_name, load_words
from .worklist import choose_actions

_PICTURE_SIDE_PX = 2200
_JPEG_QUALITY = 88
_PROPOSED_DISTANCE_MM = 600.0  # where a top is used; proposed in the trade notes
_TWO_SIDED_95 = 1.96
_MM_PER_M = 1000.0
_MOST_GRADES = 8
_TALL_FROM = 0.55  # height over width from which the picture is held to a part of the page
# Room of the pictures on the page in units of 2.05 mm: the smallest type, 1.15 units, is then 6.7 pt on paper.
UNIT_MM = 2.05
TALL_ROOM, WIDE_ROOM, CHANGE_ROOM = (86.0, 44.0), (86.0, 86.0), (56.5, 42.0)
_HEAD_KEYS = ("job", "slab", "client", "site", "stage")


@dataclass(frozen=True, slots=True)
class Repair:
    """What the repair did: the comparison, and the survey before it for the picture pair."""

    change: Comparison
    before: Inspection | None = None


def write_client_report(
    inspection: Inspection,
    path: str | Path,
    *,
    settings: ReportSettings | None = None,
    change: Comparison | None = None,
    before: Inspection | None = None,
) -> Path:
    """Write report.pdf and return its path.

    Parameters
    ----------
    inspection : Inspection
        The record; after a repair, the later one.
    path : path
        File to write.
    settings : ReportSettings
        Units, paper, language, the shop's own name and logo.
    change : Comparison, optional
        What the repair did, when two surveys were compared.
    before : Inspection, optional
        The earlier survey, whose face then stands beside the later one.

    Errors of the answer: those of the record, printed with their ranges.
    Source: trade notes on what a client reads; layout our own.
    """
    settings = settings or ReportSettings()
    repair = Repair(change, before) if change is not None else None
    data = collect_client_report(inspection, settings, repair)
    pdf = typeset(
        "client_report",
        data,
        pictures=draw_pictures(inspection, settings, repair),
        when=facts.photo_time(inspection),
    )
    path = Path(path)
    path.write_bytes(pdf)
    return path


def draw_pictures(
    inspection: Inspection, settings: ReportSettings, repair: Repair | None = None
) -> dict[str, bytes]:
    """Return the report's pictures as JPEG and PNG bytes by name, without any metadata."""
    small = _for_picture(settings)
    width_mm, height_mm = facts.slab_size_mm(inspection)
    room = TALL_ROOM if height_mm > _TALL_FROM * width_mm else WIDE_ROOM
    pictures = {}
    if repair is not None and repair.before is not None:
        pictures["pair.jpg"] = encode_jpeg(draw_pair(repair.before, inspection, settings=small))
    if repair is not None:
        change_map = draw_change(repair.change, inspection, settings=small, room=CHANGE_ROOM)
        pictures["change.jpg"] = encode_jpeg(change_map)
    if "pair.jpg" not in pictures:
        pictures["face.jpg"] = encode_jpeg(draw_face(inspection, settings=small, room=room))
    drawn = draw_tone_pictures(inspection, small)
    pictures |= {name: encode_jpeg(rgb) for name, rgb in drawn.items()}
    logo = read_logo(settings.shop_logo)
    return pictures | ({"logo.png": logo} if logo else {})


def collect_client_report(
    inspection: Inspection, settings: ReportSettings, repair: Repair | None = None
) -> dict[str, Any]:
    """Return everything the client report says, as plain values for paper and screen."""
    words = load_words(settings.language)
    sha = str(inspection.photos[0].get("sha256", "")) if inspection.photos else ""
    width_mm, height_mm = facts.slab_size_mm(inspection)
    tell = partial(tell_sentence, units=settings.units)
    return {
        "words": words.section("client"),
        "change_words": words.section("change"),
        "language": words.section("form")["language"],
        "native_reader": words.section("form")["needs_native_reader"],
        "paper": settings.paper,
        "heights": {"tall": TALL_ROOM[1] * UNIT_MM, "change": CHANGE_ROOM[1] * UNIT_MM},
        "tall": height_mm > _TALL_FROM * width_mm,
        "shop": clean_name(settings.shop_name),
        "has_logo": bool(settings.shop_logo),
        "title": facts.slab_title(inspection, words),
        "head": _collect_head(inspection, words),
        "warning": _say_warning(inspection, words),
        "agreed": _say_agreed(inspection, words, settings),
        "result": _collect_result(inspection, words, settings),
        "grades": [
            _collect_grade(g, words, settings.units) for g in inspection.grade.grades[:_MOST_GRADES]
        ],
        "plan": _say_plan(inspection, words),
        "change": _collect_change(repair, inspection, words, settings.units),
        "tone": _say_tone(inspection, words, settings.units),
        "tone_page": collect_tone_page(inspection, words),
        "tone_words": words.section("tone"),
        "look": _say_distance(inspection, words, settings),
        "method": _say_method(inspection, words, settings),
        "limits": [tell(line) for line in inspection.limits_of_this_answer],
        "warnings": [tell(line) for line in inspection.warnings],
        "findings": [tell(finding.get("text", "")) for finding in inspection.grade.findings],
        "footer": words.say("client.footer", version=inspection.version, sha=sha[:12] or "–"),
    }


def _say_warning(inspection: Inspection, words: Words) -> str:
    """Return the sentence that must stand above the report when the record must not be trusted yet."""
    doubt = facts.name_doubt(inspection)
    return words.say(f"client.{doubt}") if doubt in ("retake", "lamp_side") else ""


def encode_jpeg(rgb: np.ndarray) -> bytes:
    """Return a picture as JPEG bytes that carry no word about camera or place."""
    bgr = cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR)
    return cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY])[1].tobytes()


def _for_picture(settings: ReportSettings) -> ReportSettings:
    values = settings.to_mapping()
    values["map_max_side_px"] = min(settings.map_max_side_px, _PICTURE_SIDE_PX)
    return ReportSettings.from_mapping(values)


def _collect_head(inspection: Inspection, words: Words) -> list[list[str]]:
    lines = [
        [words.say(f"client.{key}"), clean_name(inspection.job.get(key, ""))] for key in _HEAD_KEYS
    ]
    lines.append([words.say("client.photo"), facts.photo_day(inspection)])
    return [line for line in lines if line[1]]


def _say_agreed(inspection: Inspection, words: Words, settings: ReportSettings) -> list[str]:
    agreed = inspection.settings.get("agreed")
    if not agreed:
        return [words.say("client.agreed_none")]
    lines = []
    smallest = _number(agreed.get("smallest_mm"))
    if math.isfinite(smallest):
        size = words.size(smallest, settings.units)
        lines.append(words.say("client.agreed_smallest", size=size))
    named = (
        ("limit", "limit"),
        ("scheme", "scheme"),
        ("sample", "sample"),
        ("signed", "signed_on"),
    )
    for key, name in named:
        text = tell_sentence(agreed.get(name) or "", units=settings.units).rstrip(".")
        if text:
            value = {"day" if key == "signed" else key: text}
            lines.append(words.say(f"client.agreed_{key}", **value))
    return lines or [words.say("client.agreed_none")]


def _collect_result(
    inspection: Inspection, words: Words, settings: ReportSettings
) -> dict[str, Any]:
    count = facts.count_pits(inspection)
    is_inch = settings.units == "in"
    bands = facts.size_bands(inspection)
    per_area = count.per_ft2 if is_inch else count.per_m2
    return {
        "n_pits": count.n_pits,
        "pits": words.count_pits(count.n_pits),
        "per_area": words.number(per_area, 1 if 0 < per_area < 10 else 0),
        "unit": words.say("client.result_unit_ft2" if is_inch else "client.result_unit_m2"),
        "bands": [
            [band.describe(words, settings.units), str(n)]
            for band, n in zip(bands, count.n_by_band, strict=True)
        ],
        "lines": _say_result(inspection, count, words, settings),
        "verdict": _say_verdict(inspection, words, settings.units),
    }


def _say_result(
    inspection: Inspection, count: facts.PitCount, words: Words, settings: ReportSettings
) -> list[str]:
    face = inspection.face
    is_inch = settings.units == "in"
    per_unit = MM2_PER_FT2 if is_inch else MM2_PER_M2
    area = words.number(face.seen_mm2 / per_unit, 2)
    area = words.say("client.area_ft2" if is_inch else "client.area_m2", area=area)
    share = words.number(100 * facts.seen_share(inspection))
    lines = [words.say("client.result_seen", share=share, area=area)]
    if not count.n_pits:
        return [words.say("client.result_none"), *lines]
    if facts.name_doubt(inspection) not in ("retake", "lamp_side"):  # no range holds for a list that may not
        spread = _TWO_SIDED_95 * count.n_pits_sd
        expected = _expected_real(inspection)
        low, high = max(expected - spread, 0), min(expected + spread, count.n_pits)
        told = {"low": words.number(low), "high": words.number(high), "n": count.n_pits}
        lines.insert(0, words.say("client.result_range", **told))
    lines.append(words.say("client.result_open", share=words.number(100 * count.area_share, 2)))
    lines += [sentence for sentence in [say_crowds(inspection, words)] if sentence]
    return lines + _say_window(inspection, words, settings)


def _expected_real(inspection: Inspection) -> float:
    counted = inspection.pits[facts.countable(inspection.pits)]
    return float(counted["confidence"].fillna(1.0).sum())


def _say_window(inspection: Inspection, words: Words, settings: ReportSettings) -> list[str]:
    for window in inspection.grade.windows:
        worst, median = _number(window.get("max")), _number(window.get("median"))
        if math.isfinite(worst) and math.isfinite(median) and window.get("size_mm") is not None:
            sides = [words.length(float(s), settings.units) for s in np.ravel(window["size_mm"])]
            name = " × ".join(sides).replace(" mm ×", " ×")
            figures = {
                "worst": words.number(100 * worst, 2),
                "median": words.number(100 * median, 2),
            }
            return [words.say("client.result_worst", window=name, **figures)]
    return []


def _say_verdict(inspection: Inspection, words: Words, units: str) -> str:
    """Return how the result stands to what was agreed; nothing when nothing was agreed."""
    agreed = inspection.settings.get("agreed")
    if not agreed:
        return ""
    if agreed.get("sentence"):
        return tell_sentence(agreed["sentence"], units=units)
    keys = {True: "result_met", False: "result_not_met"}
    return words.say("client." + keys.get(agreed.get("is_met"), "result_near"))


def _collect_grade(grade: Grade, words: Words, units: str) -> dict[str, str]:
    special = {"none": "client.grade_none", "not graded": "client.grade_not_graded"}
    names = [words.say(special[n]) if n in special else clean_name(n) for n in grade.range]
    own = grade.class_name
    class_name = words.say(special[own]) if own in special else clean_name(own)
    doubts = [words.say("client.grade_memory")] if grade.mark == "memory" else []
    doubts += [words.say("client.grade_borderline")] if grade.is_borderline else []
    touched = (
        f" {words.say('client.grade_to')} ".join(dict.fromkeys([names[0], names[-1]]))
        if names
        else ""
    )
    return {
        "title": tell_sentence(grade.title, units=units),
        "class_name": class_name,
        "range": touched if touched != class_name else "",
        "figure": _say_figure(grade, words, units),
        "rule": tell_sentence(grade.rule, units=units),
        "source": tell_sentence(grade.source, units=units),
        "doubts": "; ".join(doubts),
    }


def _say_figure(grade: Grade, words: Words, units: str) -> str:
    low, high = grade.value_range
    if grade.unit == "mm" and units == "in":
        figure = words.size(grade.value, units)
        sides = [words.size(side, units) for side in (low, high)]
    else:
        is_share = grade.unit == "share"
        scale, unit = (100.0, "%") if is_share else (1.0, clean_name(grade.unit))
        figure = f"{_short(grade.value * scale, words)} {unit}".strip()
        sides = [_short(side * scale, words) for side in (low, high)]
    return f"{figure} ({sides[0]}–{sides[1]})" if math.isfinite(low + high) else figure


def _short(value: float, words: Words) -> str:
    """Return a figure with about three digits, as none of them is surer than that."""
    return words.number(value, 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 2)


def _say_plan(inspection: Inspection, words: Words) -> list[str]:
    actions = choose_actions(inspection)
    lines = []
    for action in ("repair_by_eye", "fill_two_lifts", "fill", "slurry_coat", "hone_test_strip"):
        n = int((actions == action).sum())
        if n:
            name = words.say(f"action.{action}")
            lines.append(words.say("client.plan_done", pits=words.count_pits(n), action=name))
    n_left = int((actions == "leave").sum())
    if n_left:
        lines.append(words.say("client.stays", pits=words.count_pits(n_left)))
    elif len(actions):
        lines.append(words.say("client.stays_none"))
    return lines


def _collect_change(
    repair: Repair | None, inspection: Inspection, words: Words, units: str
) -> dict[str, Any] | None:
    """Return counts by state and sentences on the repair; None when nothing was compared."""
    if repair is None:
        return None
    change = repair.change
    closed, n = count_closed(change)
    states = change.table["state"]
    headline = words.say("change.headline", closed=closed, n=n) if n else ""
    told = [tell_sentence(line, units=units) for line in (*change.notes, *change.warnings)]
    sentence = tell_sentence(change.figures.get("sentence", ""), units=units)
    lines = [sentence, say_again(change, inspection, words), *told]
    return {
        "has_pair": repair.before is not None,
        "headline": headline or words.say("change.headline_none"),
        "states": [
            [state, words.say(f"state.{state}"), str(int((states == state).sum()))]
            for state in STATES
        ],
        "lines": [line for line in lines if line],
        "note": words.say("change.note"),
    }


def say_again(change: Comparison, after: Inspection, words: Words) -> str:
    """Return how many places need work again and what the later plan does with each; no text for none.

    The plan decides: where it coats, nothing is listed to be filled by hand.
    """
    numbers = change.figures.get("refill") or ()
    actions = choose_actions(after)[after.pits["pit_id"].isin(numbers)]
    if not len(actions):
        return ""
    parts = [
        f"{words.say(f'action.{action}')}: {int((actions == action).sum())}"
        for action in ACTIONS
        if (actions == action).any()
    ]
    return words.say("change.again", n=len(actions), parts=", ".join(parts))


def _say_tone(inspection: Inspection, words: Words, units: str) -> list[str]:
    colour = inspection.colour
    if not len(colour.table):
        return [words.say("client.tone_none")]
    sentence = tell_sentence(colour.figures.get("sentence", ""), units=units)
    lines = [sentence or words.say("client.tone_cells", n=len(colour.table))]
    return lines + [tell_sentence(note, units=units) for note in colour.notes]


def _say_distance(inspection: Inspection, words: Words, settings: ReportSettings) -> str:
    agreed = inspection.settings.get("agreed") or {}
    distance_mm = _number(agreed.get("viewing_distance_mm"))
    key = "client.look_agreed" if math.isfinite(distance_mm) else "client.look_proposed"
    distance_mm = distance_mm if math.isfinite(distance_mm) else _PROPOSED_DISTANCE_MM
    distance = f"{words.number(distance_mm / _MM_PER_M, 1)} m"
    if settings.units == "in":
        distance = words.length(distance_mm, "in")
    return words.say(key, distance=distance)


def _say_method(inspection: Inspection, words: Words, settings: ReportSettings) -> list[str]:
    scale, quality, pits = inspection.scale, inspection.quality, inspection.pits
    name = clean_name(inspection.photos[0].get("name", "")) if inspection.photos else "–"
    lines = [
        words.say(
            "client.method_photo",
            name=name,
            verdict=words.say(f"client.verdict_{quality.verdict}"),
            lamp=facts.describe_lamp(inspection.lamp, facts.slab_size_mm(inspection), words),
        ),
        words.say(
            "client.method_scale"
            if math.isfinite(scale.mm_per_px_sd)
            else "client.method_scale_bare",
            mm_per_px=words.number(scale.mm_per_px, 3),
            sd=words.number(scale.mm_per_px_sd, 4),
            source=_say_source(scale.source, words),
        ),
    ]
    if len(pits):
        smallest = words.size(facts.smallest_counted_mm(inspection), settings.units)
        sd = say_in(f"{_median(pits['diameter_sd_mm']):.2f} mm", settings.units)
        lines.append(words.say("client.method_counts", smallest=smallest, sd=sd))
        share = words.number(100 * _expected_real(inspection) / max(len(pits), 1))
        lines.append(words.say("client.method_confidence", share=share))
    lines = [say_in(line, settings.units) for line in lines]
    return [*lines, words.say("client.method_never")]


def _say_source(source: str, words: Words) -> str:
    return words.section("client").get(f"source_{source}", clean_name(source))


def _median(values: pd.Series) -> float:
    known = values.dropna()
    return float(known.median()) if len(known) else math.nan


def _number(value: Any) -> float:
    is_number = isinstance(value, (int, float, np.number)) and not isinstance(value, bool)
    return float(value) if is_number else math.nan
