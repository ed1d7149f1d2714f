"""Looks: inspections of the log as people go on with them, and pairs of two of them.

A look keeps what a person chose (fixed fields, own times, pin depths) and what was made of it:
the files of the inspection and the tiles of the face. The measured record in the log never
changes; deleted, added and left pits are decisions in the log.
"""

import hashlib
import zipfile
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from rakelight.core.flags import flag_bit, flag_names, parse_flags
from rakelight.core.records import PIT_COLUMNS, Inspection
from rakelight.core.settings import ReportSettings, Settings
from rakelight.core.tables import INSPECTION_FILES, parse_csv

from . import desk

TILE_FACE = "face"


@dataclass(frozen=True, slots=True)
class Choices:
    """What a person chose about one look.

    locked : field, zone or `all` -> action, as the planner takes it. rates : own times and money
    by name of `RepairSettings`. pins : pit number -> depth in mm, typed in from a pin.
    """

    locked: dict[str, str] = field(default_factory=dict)
    rates: dict[str, float] = field(default_factory=dict)
    pins: dict[str, float] = field(default_factory=dict)


def read_choices(uid: str) -> Choices:
    """Return what was chosen about a look; nothing until something was."""
    plain = desk.read_plain(desk.find_folder("looks", uid) / "choices.json")
    known = {name: plain[name] for name in Choices.__slots__ if isinstance(plain.get(name), dict)}
    return Choices(**known)


def change_choices(uid: str, **chosen: Any) -> Choices:
    """Return the choices with some of them made anew, kept on the disk."""
    changed = replace(read_choices(uid), **chosen)
    desk.write_plain(desk.find_folder("looks", uid) / "choices.json", asdict(changed))
    return changed


def papers_folder(uid: str) -> Path:
    """Return the folder of a look's ten files."""
    return desk.find_folder("looks", uid) / "papers"


def measured_file(uid: str) -> Path:
    """Return the file of a look's pits as they were measured, whatever was decided since."""
    return desk.find_folder("looks", uid) / "measured.csv"


def as_choices(decisions: list[dict[str, Any]]) -> list[tuple]:
    """Return decisions of the log as `apply_decisions` takes them."""
    names = ("what", "pit_id", "x_mm", "y_mm", "diameter_mm")
    return [tuple(decision[name] for name in names) for decision in decisions]


@dataclass(frozen=True, slots=True)
class PitList:
    """Pits alone, so that decisions can be laid over them without the picture of the face."""

    pits: pd.DataFrame
    outlines_mm: tuple = ()


def list_pits(uid: str, decisions: list[dict[str, Any]]) -> pd.DataFrame:
    """Return the pits of a look with a column `state`: measured, deleted, character or added.

    Deleted ones stay in the list, so that they can be shown and brought back.
    """
    from rakelight.log.decisions import apply_decisions

    measured = parse_csv(measured_file(uid), PIT_COLUMNS)
    decided = apply_decisions(PitList(measured), as_choices(decisions)).pits
    state = np.full(len(decided), "measured", object)
    state[decided["flags"].str.contains("added_by_hand", regex=False)] = "added"
    state[decided["flags"].str.contains("character", regex=False)] = "character"
    gone = measured[~measured["pit_id"].isin(decided["pit_id"])]
    both = pd.concat([decided.assign(state=state), gone.assign(state="deleted")])
    return both.sort_values("pit_id").reset_index(drop=True)


def tiles_folder(kind: str, uid: str, name: str = TILE_FACE) -> Path:
    """Return the folder of the tiles of a picture."""
    return desk.find_folder(kind, uid) / "tiles" / name


def name_pair(before_uid: str, after_uid: str) -> str:
    """Return the id of a pair, always the same for the same two looks."""
    return hashlib.sha256(f"{before_uid} {after_uid}".encode()).hexdigest()[:32]


def fingerprint(uid: str, decisions: list[dict[str, Any]], shop: desk.Shop) -> str:
    """Return what a look's papers were made of, to know when they are out of date."""
    told = (
        asdict(read_choices(uid)),
        [(d["what"], d["pit_id"], d["x_mm"], d["y_mm"], d["diameter_mm"]) for d in decisions],
        (shop.name, shop.units, shop.paper, shop.language),
    )
    return hashlib.sha256(repr(told).encode()).hexdigest()


def is_up_to_date(uid: str, mark: str) -> bool:
    """Whether the papers of a look were made of what holds now."""
    kept = desk.read_plain(desk.find_folder("looks", uid) / "made_of.json")
    return kept.get("mark") == mark and papers_folder(uid).is_dir()


def note_settling(uid: str, mark: str) -> None:
    """Note for which decisions the papers of a look are being written."""
    desk.write_plain(desk.find_folder("looks", uid) / "settling.json", {"mark": mark})


def read_settling(uid: str) -> str:
    """Return for which decisions the papers of a look were last begun; empty when never."""
    return desk.read_plain(desk.find_folder("looks", uid) / "settling.json").get("mark", "")


def pack_papers(uid: str) -> Path:
    """Return all files of a look as one zip, made anew when a file is newer."""
    folder, packed = papers_folder(uid), desk.find_folder("looks", uid) / "inspection.zip"
    files = [folder / name for name in INSPECTION_FILES]
    newest = max(file.stat().st_mtime for file in files)
    if not packed.is_file() or packed.stat().st_mtime < newest:
        passing = packed.with_suffix(f".{desk.make_uid()}.part")
        with zipfile.ZipFile(passing, "w", zipfile.ZIP_DEFLATED) as archive:
            for file in files:
                archive.write(file, file.name)
        passing.replace(packed)
    return packed


def settle_pits(inspection: Inspection, choices: Choices) -> Inspection:
    """Return an inspection whose pits carry the depths that a pin gave."""
    if not choices.pins:
        return inspection
    from rakelight.pits.measure import settle_depths

    pits = inspection.pits.copy()
    pinned = pits["pit_id"].astype(str).map(choices.pins).astype(float)
    reached = pinned.notna()
    basis = np.full(reached.sum(), "pin", object)
    pits.loc[reached] = settle_depths(pits[reached], pinned[reached].to_numpy(), basis)
    return replace(inspection, pits=pits)


def settle_zones(inspection: Inspection) -> Inspection:
    """Return an inspection whose pitting areas, streaks and patches are those of the pits as they are now.

    For pits that people took off or added; zones that were given (pour zones, openings) stay.
    """
    from rakelight.pits.zones import FOUND_KINDS, find_zones, mark_pits

    known, pits = read_settings(inspection), inspection.pits.copy()
    given = [zone for zone in inspection.zones if zone.get("kind") not in FOUND_KINDS]
    found = {zone["name"] for zone in inspection.zones if zone.get("kind") in FOUND_KINDS}
    pits.loc[pits["zone"].isin(found), "zone"] = ""
    bare = [flag_names(parse_flags(names) & ~flag_bit("in_honeycomb")) for names in pits["flags"]]
    pits["flags"] = pd.Series(bare, index=pits.index, dtype=pits["flags"].dtype)
    crowds = find_zones(pits, inspection.face, settings=known.zones, threads=known.find.threads)
    return replace(
        inspection, pits=mark_pits(pits, crowds), zones=(*given, *crowds.zones),
        scatter=crowds.describe_scatter(known.zones),
    )  # fmt: skip


def settle_plan(inspection: Inspection, choices: Choices, agreed_text: str = "") -> Inspection:
    """Return an inspection graded and planned anew, after pits were overruled or choices made."""
    from rakelight.grade.agreed import narrow_to_face, parse_agreed
    from rakelight.grade.regions import describe_agreed
    from rakelight.inspection import Given, grade_measured
    from rakelight.repair.plan import plan_repair

    settings = read_settings(inspection)
    agreed = None
    if agreed_text:
        agreed = narrow_to_face(parse_agreed(agreed_text), inspection.job.get("face", ""))
    names = tuple(grade.scheme for grade in inspection.grade.grades) or None
    judged = (inspection.quality, settings)
    grade = grade_measured(Given(schemes=names), agreed, inspection.pits, inspection.face, judged)
    saved = {name: value for name, value in inspection.settings.items() if name != "agreed"}
    if agreed is not None:
        saved["agreed"] = describe_agreed(agreed, grade.agreed)
    plan = plan_repair(
        inspection.pits,
        inspection.face,
        grade,
        zones=inspection.zones,
        settings=settings.repair,
        agreed=agreed,
        locked=choices.locked or None,
        rates=choices.rates or None,
    )
    return replace(inspection, grade=grade, plan=plan, settings=saved)


def read_settings(inspection: Inspection) -> Settings:
    """Return the settings an inspection was made with; names of other versions are left out."""
    settings = Settings()
    steps = {}
    for name in Settings.__slots__:
        step = getattr(settings, name)
        saved = inspection.settings.get(name, {})
        known = {key: saved[key] for key in type(step).__slots__ if key in saved}
        steps[name] = replace(step, **known)
    return replace(settings, **steps)


def describe_report(shop: desk.Shop) -> ReportSettings:
    """Return how pages and pictures are to look for this shop."""
    return ReportSettings(
        units=shop.units, paper=shop.paper, language=shop.language, shop_name=shop.name
    )
