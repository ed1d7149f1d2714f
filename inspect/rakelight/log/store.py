"""Writing into the job log, and reading whole records back.

Catalogue: `add_job`, `add_slab`, `add_pour_zone`, `add_repair`, `add_trial`, `add_note`,
`add_decision`, `save_inspection`, `load_inspection`, `save_comparison`, `load_comparison`.
Every call is one transaction: it is kept whole or not at all, and it is in the history.
"""

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import sqlalchemy as sa
from sqlalchemy.orm import Session

from ..core import codec
from ..core.checks import is_finite
from ..core.errors import LogError
from ..core.records import Comparison, Inspection
from ..core.tables import countable
from .connection import Log, plain_errors, reading, writing
from .history import get_row, write_history
from .photos import Waiting
from .rows import check_values
from .tables import (
    Decision,
    Job,
    Note,
    Photo,
    PourZone,
    Repair,
    Sheet,
    Slab,
    StoredComparison,
    StoredInspection,
    Survey,
    Trial,
    ZoneSum,
    now_utc,
)

DECISIONS = ("delete", "add", "resize", "character", "note")
"""What a person can decide about a pit: not a pit, a missed one, its size, leave it, or a remark."""


@dataclass(frozen=True, slots=True)
class SurveyPlace:
    """Where in the log a survey belongs: job and slab by name (made when missing), stage, time."""

    job: str
    slab: str = "slab"
    stage: str = ""
    taken_at: datetime | None = None
    note: str = ""


def add_job(log: Log, name: str, *, who: str = "", **values: Any) -> str:
    """Return the uid of a new job. values : client, site, words, agreed (mapping)."""
    name = _check_name(name, "job")
    with writing(log) as session:
        if session.scalar(sa.select(sa.func.count()).where(Job.name == name)):
            raise LogError(
                f"There is a job {name!r} already, perhaps put away; choose another name."
            )
        return _add(session, Job(name=name, **check_values(Job, values)), who=who)


def add_slab(log: Log, job: str, name: str, *, who: str = "", **values: Any) -> str:
    """Return the uid of a new slab of a job. values : width_mm, height_mm, outline_mm, openings..."""
    with writing(log) as session:
        owner = find_job_row(session, job)
        if _find_slab(session, owner, name) is not None:
            raise LogError(f"Job {job!r} has a slab {name!r} already; choose another name.")
        row = Slab(job_id=owner.id, name=_check_name(name, "slab"), **check_values(Slab, values))
        return _add(session, row, who=who)


def add_pour_zone(log: Log, job: str, slab: str, name: str, *, who: str = "", **values: Any) -> str:
    """Return the uid of a new pour zone. values : mix, batch, poured_at, air_c, outline_mm, note."""
    with writing(log) as session:
        owner = find_slab_row(session, job, slab)
        return _add(
            session,
            PourZone(slab_id=owner.id, name=name, **check_values(PourZone, values)),
            who=who,
        )


def add_repair(log: Log, job: str, slab: str, action: str, *, who: str = "", **values: Any) -> str:
    """Return the uid of work really done. values : zone, n_pits, area_m2, minutes, grams, material,
    done_at, note."""
    with writing(log) as session:
        owner = find_slab_row(session, job, slab)
        row = Repair(slab_id=owner.id, action=action, who=who, **check_values(Repair, values))
        return _add(session, row, who=who)


def add_trial(log: Log, job: str, *, who: str = "", **values: Any) -> str:
    """Return the uid of a test patch. values : slab_name, recipe, cured_days, tone_dE00, result."""
    with writing(log) as session:
        owner = find_job_row(session, job)
        return _add(
            session, Trial(job_id=owner.id, who=who, **check_values(Trial, values)), who=who
        )


def add_note(log: Log, job: str, text: str, *, who: str = "") -> str:
    """Return the uid of a remark on a job."""
    with writing(log) as session:
        owner = find_job_row(session, job)
        return _add(session, Note(job_id=owner.id, text=text, who=who), who=who)


def add_decision(
    log: Log, inspection_uid: str, what: str, *, who: str = "", why: str = "", **values: Any
) -> str:
    """Return the uid of a decision that overrules the program. values : pit_id, x_mm, y_mm,
    diameter_mm. What was measured stays as it was."""
    if what not in DECISIONS:
        raise LogError(f"A decision is one of {', '.join(DECISIONS)}, not {what!r}.")
    with writing(log) as session:
        owner = get_row(session, "inspection", inspection_uid)
        values = check_values(Decision, values)
        row = Decision(inspection_id=owner.id, what=what, who=who, why=why, **values)
        return _add(session, row, who=who, why=why)


def save_inspection(
    log: Log,
    inspection: Inspection,
    place: SurveyPlace,
    *,
    photos: Sequence[str | Path] = (),
    who: str = "",
) -> str:
    """Return the uid of an inspection kept whole, with copies of its photos.

    A survey of the same slab and stage with the same photos is used again, so that a second
    run with other settings stands beside the first; the very same result is kept once.

    Raises
    ------
    LogError
        When a photo is missing or is not the one that was inspected.
    """
    sheets, face = codec.pack_inspection(inspection, face_quality=log.settings.face_quality)
    with ExitStack() as stack, plain_errors(log):
        waiting = [_copy_photo(log, path, inspection, stack) for path in photos]
        face_file = log.photos.write_in(face, ".jpg") if face else None
        if face_file:
            stack.callback(log.photos.drop, face_file)
        with writing(log) as session:
            survey = _find_or_make_survey(
                session, place, _name_photos(photos, waiting, inspection), sheets, who
            )
            uid, is_new = _keep_inspection(session, survey, inspection, sheets, face_file, who)
            for file in [*waiting, *([face_file] if face_file and is_new else [])]:
                log.photos.accept(file)
        return uid


def load_inspection(log: Log, uid: str, *, is_decided: bool = False) -> Inspection:
    """Return an inspection as it was measured, or with the decisions of people applied."""
    from .decisions import apply_decisions

    with reading(log) as session:
        row = get_row(session, "inspection", uid)
        sheets = load_sheets(session, Sheet.inspection_id == row.id)
        face_place = log.photos.place(row.face_sha256, ".jpg") if row.face_sha256 else None
        rows = session.scalars(
            sa.select(Decision)
            .where(Decision.inspection_id == row.id, Decision.deleted_at.is_(None))
            .order_by(Decision.id)
        ).all()
        decisions = [(d.what, d.pit_id, d.x_mm, d.y_mm, d.diameter_mm) for d in rows]
    face = face_place.read_bytes() if face_place is not None and face_place.is_file() else b""
    inspection = codec.unpack_inspection(sheets, face)
    return apply_decisions(inspection, decisions) if is_decided else inspection


def save_comparison(
    log: Log,
    comparison: Comparison,
    *,
    before_uid: str,
    after_uid: str,
    n_reopened: int = 0,
    who: str = "",
) -> str:
    """Return the uid of a comparison of two inspections of the log; the same one is kept once."""
    sheets = codec.pack_comparison(comparison)
    mark = codec.fingerprint_sheets(sheets)
    counts = {f"n_{state}": int(n) for state, n in comparison.figures["counts"].items()}
    with writing(log) as session:
        before, after = (get_row(session, "inspection", uid) for uid in (before_uid, after_uid))
        same = sa.select(StoredComparison).where(
            StoredComparison.fingerprint == mark,
            StoredComparison.before_id == before.id,
            StoredComparison.after_id == after.id,
        )
        found = session.scalars(same).first()
        if found is not None:
            return found.uid
        row = StoredComparison(
            before_id=before.id, after_id=after.id, version=comparison.version,
            n_reopened=n_reopened, fingerprint=mark, **counts,
        )  # fmt: skip
        uid = _add(session, row, who=who)
        session.add_all(make_sheets(sheets, comparison_id=row.id))
        return uid


def load_comparison(log: Log, uid: str) -> Comparison:
    """Return a comparison as it was kept."""
    with reading(log) as session:
        row = get_row(session, "comparison", uid)
        return codec.unpack_comparison(load_sheets(session, Sheet.comparison_id == row.id))


def load_sheets(session: Session, owner: sa.ColumnElement[bool]) -> codec.Sheets:
    """Return the expanded sheets of one inspection or comparison."""
    rows = session.execute(sa.select(Sheet.name, Sheet.data).where(owner))
    return {name: codec.expand_sheet(data) for name, data in rows}


def make_sheets(sheets: codec.Sheets, **owner: int) -> list[Sheet]:
    """Return rows that hold these sheets for their owner."""
    rows = []
    for name, data in sheets.items():
        kept = codec.compress_sheet(data)
        rows.append(Sheet(name=name, data=kept, sha256=codec.hash_bytes(kept), **owner))
    return rows


def find_job_row(session: Session, name: str) -> Job:
    """Return a job by its name or uid; one that is missing or put away is a LogError."""
    query = sa.select(Job).where(sa.or_(Job.name == name, Job.uid == name))
    row = session.scalars(query.where(Job.deleted_at.is_(None))).first()
    if row is None:
        raise LogError(f"The log has no job {name!r}; `rakelight jobs list` names those it has.")
    return row


def find_slab_row(session: Session, job: str, name: str) -> Slab:
    """Return a slab of a job by its name."""
    row = _find_slab(session, find_job_row(session, job), name)
    if row is None or row.deleted_at is not None:
        raise LogError(f"Job {job!r} has no slab {name!r}; add it first.")
    return row


def _find_slab(session: Session, job: Job, name: str) -> Slab | None:
    return session.scalars(sa.select(Slab).where(Slab.job_id == job.id, Slab.name == name)).first()


def _add(session: Session, row: Any, *, who: str, why: str = "") -> str:
    session.add(row)
    write_history(session, row, "add", who=who, why=why)
    return row.uid


def _check_name(name: str, what: str) -> str:
    name = name.strip()
    if not name or len(name) > 200 or any(ord(letter) < 32 for letter in name):
        raise LogError(f"Give the {what} a name of 1 to 200 letters on one line.")
    return name


def _copy_photo(log: Log, path: str | Path, inspection: Inspection, stack: ExitStack) -> Waiting:
    file = log.photos.copy_in(Path(path))
    stack.callback(log.photos.drop, file)
    known = {photo.get("sha256") for photo in inspection.photos} - {None, ""}
    if known and file.source_sha256 not in known:
        raise LogError(f"{Path(path).name} is not the photo that was inspected; inspect it again.")
    return file


def _name_photos(
    paths: Sequence[str | Path], files: list[Waiting], inspection: Inspection
) -> list[Photo]:
    """Rows of the photos, each once, with the name of its file and what it was taken for."""
    kinds = {photo.get("sha256"): photo.get("kind") for photo in inspection.photos}
    rows: dict[str, Photo] = {}
    for path, file in zip(paths, files, strict=True):
        rows.setdefault(
            file.sha256,
            Photo(
                sha256=file.sha256,
                suffix=file.suffix,
                n_bytes=file.n_bytes,
                name=Path(path).name,
                kind=kinds.get(file.source_sha256) or "raking",
            ),
        )
    return list(rows.values())


def _find_or_make_survey(
    session: Session, place: SurveyPlace, photos: list[Photo], sheets: codec.Sheets, who: str
) -> Survey:
    slab = _find_or_make_slab(session, place, who)
    found = _find_survey(session, slab, place.stage, photos, sheets)
    if found is not None:
        return found
    taken_at = place.taken_at or now_utc()
    survey = Survey(
        slab_id=slab.id, stage=place.stage, taken_at=taken_at, note=place.note,
        age_days=_find_age(session, slab, taken_at),
    )  # fmt: skip
    _add(session, survey, who=who)
    for photo in photos:
        photo.survey_id = survey.id
        _add(session, photo, who=who)
    return survey


def _find_survey(
    session: Session, slab: Slab, stage: str, photos: list[Photo], sheets: codec.Sheets
) -> Survey | None:
    """The survey of the same slab and stage with the same photos; without photos, with this result."""
    here = sa.select(Survey).where(
        Survey.slab_id == slab.id, Survey.stage == stage, Survey.deleted_at.is_(None)
    )
    if not photos:
        mark = codec.fingerprint_sheets(sheets)
        same = here.join(StoredInspection).where(StoredInspection.fingerprint == mark)
        return session.scalars(same).first()
    wanted = {photo.sha256 for photo in photos}
    for row in session.scalars(here):
        kept = session.scalars(sa.select(Photo.sha256).where(Photo.survey_id == row.id))
        if wanted == set(kept):
            return row
    return None


def _find_or_make_slab(session: Session, place: SurveyPlace, who: str) -> Slab:
    job = session.scalars(sa.select(Job).where(Job.name == place.job)).first()
    if job is None:
        job = Job(name=_check_name(place.job, "job"))
        _add(session, job, who=who)
    elif job.deleted_at is not None:
        raise LogError(
            f"Job {place.job!r} was put away; bring it back with `rakelight jobs restore` or choose "
            "another name."
        )
    slab = _find_slab(session, job, place.slab)
    if slab is None:
        slab = Slab(job_id=job.id, name=_check_name(place.slab, "slab"))
        _add(session, slab, who=who)
    return slab


def _find_age(session: Session, slab: Slab, taken_at: datetime) -> float | None:
    """Days since the first pour of the slab, where that was written down."""
    poured = session.scalar(
        sa.select(sa.func.min(PourZone.poured_at)).where(PourZone.slab_id == slab.id)
    )
    if poured is None:
        return None
    poured = poured if poured.tzinfo else poured.replace(tzinfo=UTC)
    return (taken_at.astimezone(UTC) - poured).total_seconds() / 86400


def _keep_inspection(session, survey, inspection, sheets, face_file, who) -> tuple[str, bool]:
    mark = codec.fingerprint_sheets(sheets)
    found = session.scalars(
        sa.select(StoredInspection).where(
            StoredInspection.survey_id == survey.id, StoredInspection.fingerprint == mark
        )
    ).first()
    if found is not None:
        return found.uid, False
    row = StoredInspection(
        survey_id=survey.id,
        version=inspection.version,
        schema=inspection.schema,
        verdict=inspection.quality.verdict,
        smallest_countable_mm=_or_none(inspection.quality.smallest_countable_mm),
        face_sha256=face_file.sha256 if face_file else None,
        fingerprint=mark,
        **_sum_pits(inspection),
    )
    uid = _add(session, row, who=who)
    session.add_all(make_sheets(sheets, inspection_id=row.id))
    session.add_all(ZoneSum(inspection_id=row.id, **sums) for sums in sum_zones(inspection.pits))
    return uid, True


def _sum_pits(inspection: Inspection) -> dict[str, Any]:
    pits = inspection.pits[countable(inspection.pits)]
    seen_mm2 = inspection.face.seen_mm2 or float(np.prod(inspection.scale.size_mm))
    kinds = pits["kind"].value_counts()
    return {
        "n_pits": len(pits),
        "n_pinholes": int(kinds.get("pinhole", 0)),
        "n_bug_holes": int(kinds.get("bug_hole", 0)),
        "n_voids": int(kinds.get("void", 0)),
        "largest_mm": _or_none(pits["diameter_mm"].max()),
        "area_share": _or_none(pits["area_mm2"].sum() / seen_mm2) if seen_mm2 else None,
        "seen_mm2": _or_none(seen_mm2),
    }


def sum_zones(pits: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the sums of each zone that countable pits lie in, as ZoneSum rows hold them."""
    return [
        {
            "zone": str(zone),
            "n_pits": len(rows),
            "area_mm2": float(rows["area_mm2"].sum()),
            "largest_mm": _or_none(rows["diameter_mm"].max()),
        }
        for zone, rows in pits[countable(pits)].groupby("zone", sort=True)
    ]


def _or_none(value: Any) -> float | None:
    return float(value) if is_finite(value) else None
