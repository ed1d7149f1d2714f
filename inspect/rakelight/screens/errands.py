"""What is worked out in a process of its own: `python -m rakelight.screens.errands WHAT ID`.

A process of its own can be stopped at once, gives its memory back, and lets the screens answer
while it works. It says how far it is in the errand's progress file; it imports nothing of the
screens' frame.

    check ID      a draft: is the photo good enough, does the card lie there, where are the corners
    measure ID    a draft: photo to pits, plan, papers and tiles; the inspection goes into the log
    settle ID     a look: graded and planned anew after a person overruled or chose something
    compare ID    a pair: what became of every pit between two looks
"""

import math
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from rakelight.core.clock import settle_moment
from rakelight.core.errors import RakelightError, ScaleError
from rakelight.core.records import Inspection, Lamp, Photo
from rakelight.core.settings import Settings
from rakelight.core.units import parse_size_mm
from rakelight.light.lamp import build_lamp

from . import desk, drafts, looks

LOOSE_JOB = "Single photos"
ASSUMED_WIDTH_MM = 600.0
ASSUMED_SMALLEST_MM = 1.0
"""What one photo is assumed to show before its scale is known: 600 mm, in which 1 mm pits count."""

OFFER_SUPPORT_MIN = 0.7
Tell = Callable[[str], None]

# Where each step begins on the bar, by its first word; measured on a 10 megapixel photo.
_SHARES = {
    "opening": 0.02, "reading": 0.06, "telling": 0.14, "finding": 0.28, "sorting": 0.45,
    "grading": 0.60, "writing": 0.72, "keeping": 0.70, "laying": 0.30, "looking": 0.30,
}  # fmt: skip


def run_errand(what: str, uid: str) -> None:
    """Run one errand to its end; its progress ends as done or failed, never half-way."""
    tell = _make_teller(what, uid)
    works = {
        "check": check_photo, "measure": measure_draft, "settle": settle_look, "compare": compare_pair,
    }  # fmt: skip
    try:
        tell("opening the tools")
        desk.end_progress(what, uid, "done", result=works[what](uid, tell))
    except RakelightError as trouble:
        desk.end_progress(what, uid, "failed", str(trouble))
    except MemoryError:
        sentence = (
            "There is not enough memory for this photo; close other programs or give a smaller one."
        )
        desk.end_progress(what, uid, "failed", sentence)
    except OSError as trouble:
        sentence = f"The computer refused: {trouble.strerror or trouble}."
        desk.end_progress(what, uid, "failed", sentence)


def check_photo(uid: str, tell: Tell) -> str:
    """Return the checksum of a draft's raking photo once it is known whether it is good enough.

    Keeps the verdict with its advice, whether the scale card lies on the face, and the corners
    that the edge finder offers. Nothing is measured: the true scale is not needed for any of it.
    """
    from rakelight.photo.read import read_photo

    draft = drafts.load_draft(uid)
    photo = draft.find_photo("raking")
    if photo is None:
        raise ScaleError("Choose a raking-light photo first.")
    tell("reading the photo")
    read = read_photo(drafts.place_photo(uid, photo))
    tell("looking for the scale card")
    found = {"sha256": photo.sha256, "rows_px": read.shape_px[0], "cols_px": read.shape_px[1]}
    found |= _find_card(read)
    tell("finding the edges of the slab")
    found |= _offer_corners(read)
    tell("grading the photo")
    found |= _judge_photo(read, found["corners_px"])
    desk.write_plain(desk.find_folder("drafts", uid) / "checked.json", found)
    return photo.sha256


def _find_card(photo: Photo) -> dict:
    from rakelight.core.errors import ScaleError as NoCard
    from rakelight.scale.card import scale_from_card

    try:
        scale, _ = scale_from_card(photo)
    except NoCard:
        return {"has_card": False}
    return {"has_card": True, "card_mm_per_px": scale.mm_per_px}


def _offer_corners(photo: Photo) -> dict:
    from rakelight.scale.edges import offer_corners

    offer = offer_corners(photo)
    if offer is None or not offer.support >= OFFER_SUPPORT_MIN:
        return {"corners_px": []}
    return {"corners_px": offer.corners_px.round(1).tolist()}


def _judge_photo(photo: Photo, corners_px: list) -> dict:
    """The verdict on sharpness, noise and exposure of the face, at an assumed size of it."""
    from rakelight.light.background import flatten_light
    from rakelight.light.lamp import settle_lamp
    from rakelight.photo.quality import judge_quality
    from rakelight.scale.corners import scale_from_corners, scale_from_mm_per_px
    from rakelight.scale.rectify import rectify_photo

    if corners_px:
        back_left, back_right, _, front_left = np.asarray(corners_px)
        shape = np.hypot(*(front_left - back_left)) / np.hypot(*(back_right - back_left))
        size_mm = (ASSUMED_WIDTH_MM, ASSUMED_WIDTH_MM * float(shape))
        scale = scale_from_corners(corners_px, size_mm, photo.shape_px)
    else:
        scale = scale_from_mm_per_px(photo.shape_px, ASSUMED_WIDTH_MM / photo.shape_px[1])
    face = rectify_photo(photo, scale)
    flat = flatten_light(face)
    lamp = settle_lamp(flat, face, Lamp())
    quality = judge_quality(face, flat, lamp, exif=photo.exif, smallest_mm=ASSUMED_SMALLEST_MM)
    return {"verdict": quality.verdict, "advice": list(quality.advice)}


def measure_draft(uid: str, tell: Tell) -> str:
    """Return the log's id of the inspection of a draft; its look stands ready."""
    from rakelight.inspection import inspect_photo
    from rakelight.log.connection import open_log
    from rakelight.log.store import SurveyPlace, save_inspection

    draft = drafts.load_draft(uid)
    raking, soft = draft.find_photo("raking"), draft.find_photo("soft")
    if raking is None:
        raise ScaleError("Choose a raking-light photo first.")
    given, settings = describe_given(draft)
    path = drafts.place_photo(uid, raking)
    inspection = inspect_photo(path, given, settings=settings, progress=tell)
    inspection = name_photos(draft, inspection)
    place = SurveyPlace(
        draft.job or LOOSE_JOB, draft.slab or raking.name, draft.stage,
        taken_at=settle_moment(inspection.photos),
    )  # fmt: skip
    photos = [drafts.place_photo(uid, photo) for photo in (raking, soft) if photo]
    tell("keeping the record in the log")
    with open_log() as log:
        look = save_inspection(log, inspection, place, photos=photos, who=desk.read_shop().who)
    keep_measured(look, inspection)
    prepare_look(look, inspection, tell)
    return look


def keep_measured(look: str, inspection: Inspection) -> None:
    """Keep the pits as they were measured, beside those that people decided about."""
    from rakelight.core.records import PIT_COLUMNS
    from rakelight.core.tables import write_csv

    write_csv(inspection.pits, PIT_COLUMNS, looks.measured_file(look))


def prepare_look(look: str, inspection: Inspection, tell: Tell) -> None:
    """Write the files and the tiles of a look and note what they were made of."""
    from rakelight.report.folder import write_inspection

    from .tiles import cut_tiles

    shop, folder = desk.read_shop(), desk.find_folder("looks", look)
    folder.mkdir(parents=True, exist_ok=True)
    if not looks.tiles_folder("looks", look).is_dir() and inspection.face.rgb.size:
        tell("writing the map in every size")
        cut_tiles(inspection.face.rgb, looks.tiles_folder("looks", look))
    tell("writing the pages")
    write_inspection(inspection, looks.papers_folder(look), settings=looks.describe_report(shop))
    write_extras(look, inspection)
    mark = looks.fingerprint(look, list_decisions(look), shop)
    desk.write_plain(folder / "made_of.json", {"mark": mark})


def write_extras(look: str, inspection: Inspection) -> None:
    """Keep what the screens show beyond the ten files: the plan's figures and each pit's evidence."""
    from rakelight.core.tables import to_plain

    figures = {
        k: v
        for k, v in inspection.plan.figures.items()
        if k not in ("pit_actions", "largest_first")
    }
    plan = {"figures": figures, "order": inspection.plan.order, "notes": inspection.plan.notes,
            "pits": inspection.plan.pits[["pit_id", "action"]].to_dict("records")}  # fmt: skip
    evidence = getattr(inspection, "evidence", None)
    rows = [] if evidence is None else evidence.to_dict("records")
    extras = {"plan": plan, "agreed": inspection.grade.agreed, "evidence": rows,
              "mm_per_px": inspection.face.mm_per_px, "zones": inspection.zones}  # fmt: skip
    desk.write_plain(desk.find_folder("looks", look) / "extras.json", to_plain(extras))


def list_decisions(look: str) -> list[dict]:
    """Return the decisions about an inspection that hold, oldest first."""
    from rakelight.log.connection import open_log
    from rakelight.screens.shelf import read_decisions

    with open_log() as log:
        return read_decisions(log, look)


def settle_look(uid: str, tell: Tell) -> str:
    """Return the look's id once it is graded, planned and written anew with what people chose."""
    from rakelight.log.connection import open_log
    from rakelight.log.decisions import apply_decisions
    from rakelight.log.store import load_inspection

    from .shelf import find_agreed, read_decisions

    tell("reading the record from the log")
    with open_log() as log:
        inspection = load_inspection(log, uid)
        decisions, agreed_text = read_decisions(log, uid), find_agreed(log, uid)
    keep_measured(uid, inspection)
    inspection = apply_decisions(inspection, looks.as_choices(decisions))
    choices = looks.read_choices(uid)
    if decisions:
        inspection = looks.settle_zones(inspection)
    tell("grading and planning")
    settled = looks.settle_plan(looks.settle_pits(inspection, choices), choices, agreed_text)
    prepare_look(uid, settled, tell)
    return uid


def compare_pair(uid: str, tell: Tell) -> str:
    """Return the log's id of the comparison of two looks; its files and pictures stand ready."""
    from rakelight.compare.change import compare_surveys
    from rakelight.log.connection import open_log
    from rakelight.log.store import load_inspection, save_comparison
    from rakelight.report.comparison import write_comparison

    from .tiles import write_slider

    folder = desk.find_folder("pairs", uid)
    pair = desk.read_plain(folder / "pair.json")
    tell("reading both records from the log")
    with open_log() as log:
        before, after = (
            load_inspection(log, pair[name], is_decided=True) for name in ("before", "after")
        )
        tell("laying one plan over the other")
        change = compare_surveys(before, after)
        tell("writing the pages")
        write_comparison(
            change, before, after, folder / "papers",
            settings=looks.describe_report(desk.read_shop()),
        )  # fmt: skip
        write_slider(before, after, change, folder)
        tell("keeping the record in the log")
        return save_comparison(
            log, change, before_uid=pair["before"], after_uid=pair["after"],
            who=desk.read_shop().who,
        )  # fmt: skip


def describe_given(draft: drafts.Draft):
    """Return (Given, Settings): what was said in a draft, as the steps take it."""
    from rakelight.inspection import Given, change_settings

    shop = desk.read_shop()
    settings = change_settings(
        Settings(),
        find={"smallest_mm": draft.smallest_mm},
        report={"units": shop.units, "paper": shop.paper, "language": shop.language},
    )
    soft = draft.find_photo("soft")
    job = {"job": draft.job, "slab": draft.slab, "stage": draft.stage}
    given = Given(
        **_describe_scale(draft),
        lamp=describe_lamp(draft),
        soft_light=drafts.place_photo(draft.uid, soft) if soft else None,
        soft_corners_px=(draft.soft_corners_px or None) if soft else None,
        grey_card=place_grey_card(draft),
        agreed=_place_agreed(draft),
        job={name: value for name, value in job.items() if value},
    )
    return given, settings


def place_grey_card(draft: drafts.Draft) -> tuple[float, ...] | None:
    """Return the grey card as the colour step takes it: x, y, width, height in slab mm from the back."""
    if len(draft.grey_card_mm) != 4:
        return None
    left, front, width, depth = draft.grey_card_mm
    if draft.scale_way == "mm_per_px":
        height_mm = drafts.read_check(draft).get("rows_px", math.nan) * (
            draft.mm_per_px or math.nan
        )
    else:
        height_mm = parse_size_mm(draft.slab_size)[1] if draft.slab_size else math.nan
    if math.isnan(height_mm):
        return None
    return left, height_mm - front - depth, width, depth


def _place_agreed(draft: drafts.Draft) -> Path | None:
    """Write what was agreed for the job into the draft's folder and return the file."""
    from rakelight.log.connection import open_log

    from .shelf import read_agreed_text

    with open_log() as log:
        text = read_agreed_text(log, draft.job)
    if not text:
        return None
    path = desk.find_folder("drafts", draft.uid) / "agreed.toml"
    path.write_text(text, encoding="utf-8")
    return path


def _describe_scale(draft: drafts.Draft) -> dict:
    if draft.scale_way == "mm_per_px":
        return {"mm_per_px": draft.mm_per_px}
    if draft.scale_way == "card":
        return {"corners_px": draft.corners_px} if draft.corners_px else {}
    if not draft.corners_px:
        raise ScaleError("Show the four corners of the slab, so that pits can be sized in mm.")
    return {"corners_px": draft.corners_px, "slab_mm": parse_size_mm(draft.slab_size)}


def describe_lamp(draft: drafts.Draft) -> Lamp:
    """Return the lamp as said, its side turned from the photo into the plan."""
    from_deg = draft.lamp_photo_deg
    if from_deg is not None:
        from_deg = (from_deg - find_back_deg(draft)) % 360
    return build_lamp(from_deg, draft.lamp_angle_deg)


def find_back_deg(draft: drafts.Draft) -> float:
    """Return where the slab's back edge lies in the photo, clockwise from its top; 0 when not said.

    Errors of the answer: a degree or two in a photo taken askew.
    """
    if draft.scale_way == "mm_per_px" or len(draft.corners_px) != 4:
        return 0.0
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = draft.corners_px
    to_back = (ax + bx - cx - dx, ay + by - cy - dy)
    return math.degrees(math.atan2(to_back[0], -to_back[1])) % 360


def name_photos(draft: drafts.Draft, inspection: Inspection) -> Inspection:
    """Return the inspection with its photos called as the person's device called them.

    The soft-light photo is named too, so that the log keeps it.
    """
    from dataclasses import replace

    named = {photo.sha256: photo.name for photo in draft.photos}
    photos = [
        {**photo, "name": named.get(photo["sha256"], photo["name"])} for photo in inspection.photos
    ]
    soft, known = draft.find_photo("soft"), {photo["sha256"] for photo in photos}
    if soft is not None and soft.sha256 not in known:
        photos.append({"name": soft.name, "kind": "soft", "sha256": soft.sha256})
    return replace(inspection, photos=tuple(photos))


def _make_teller(what: str, uid: str) -> Tell:
    started_at = time.time()

    def tell(step: str) -> None:
        was = desk.read_progress(what, uid)
        share = max(_SHARES.get(step.split()[0], 0.0), was.share if was.is_under_way else 0.0)
        desk.write_progress(what, uid, desk.Progress("working", step, share, "", started_at))

    return tell


if __name__ == "__main__":
    run_errand(sys.argv[1], sys.argv[2])
