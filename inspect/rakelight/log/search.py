"""Reading the log: all jobs at a glance, one job whole, and the search for a call-back.

None of these opens a pit table: they read the sums that stand beside it.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import pandas as pd
import sqlalchemy as sa

from ..core.errors import LogError
from ..core.records import FOUND_COLUMNS, JOB_COLUMNS, make_table
from .connection import Log, reading
from .rows import row_values
from .store import find_job_row
from .tables import (
    Decision,
    Job,
    Note,
    Photo,
    PourZone,
    Repair,
    Slab,
    StoredComparison,
    StoredInspection,
    Survey,
    Trial,
    ZoneSum,
)

UID_LETTERS_MIN = 6
"""So many letters of a record's uid are enough to name it."""


@dataclass(frozen=True, slots=True)
class Question:
    """What to look for; every part that is given must hold.

    job : part of the job's name, client, site, words or notes. zone : name of the zone. mix : part
    of the mix. month : year-month, e.g. 2026-11. min_size_mm : holds a pit at least this large.
    is_reopened : fills were found open again. stage : part of the stage.
    """

    job: str = ""
    zone: str = ""
    mix: str = ""
    month: str = ""
    min_size_mm: float | None = None
    is_reopened: bool = False
    stage: str = ""


def list_jobs(log: Log, *, is_deleted: bool = False) -> pd.DataFrame:
    """Return one row per job (JOB_COLUMNS), the latest survey first; or those put away."""
    away = Job.deleted_at.is_not(None) if is_deleted else Job.deleted_at.is_(None)
    latest, counts, reopened = _latest_inspections(), _count_surveys(), _count_reopened()
    query = (
        sa.select(
            Job.name, Job.client, Job.site, counts.c.n_slabs, counts.c.n_surveys, latest.c.stage,
            latest.c.taken_at, latest.c.n_pits, latest.c.area_share, latest.c.verdict,
            reopened.c.n_reopened, Job.uid,
        )
        .outerjoin(counts, counts.c.job_id == Job.id)
        .outerjoin(latest, sa.and_(latest.c.job_id == Job.id, latest.c.place == 1))
        .outerjoin(reopened, reopened.c.job_id == Job.id)
        .where(away)
        .order_by(sa.func.coalesce(latest.c.taken_at, Job.made_at).desc(), Job.id.desc())
    )  # fmt: skip
    with reading(log) as session:
        return _to_table(JOB_COLUMNS, session.execute(query).all(), day="last_day")


def search_jobs(log: Log, words: str, *, is_deleted: bool = False) -> list[str]:
    """Return the uids of the jobs whose name, client, site, words or notes hold these words."""
    away = Job.deleted_at.is_not(None) if is_deleted else Job.deleted_at.is_(None)
    with reading(log) as session:
        return list(session.scalars(sa.select(Job.uid).where(away, _mentions(words))))


def has_job(log: Log, job: str) -> bool:
    """Whether there is a job of this name or uid that was not put away."""
    query = sa.select(sa.func.count()).where(
        sa.or_(Job.name == job, Job.uid == job), Job.deleted_at.is_(None)
    )
    with reading(log) as session:
        return bool(session.scalar(query))


def show_job(log: Log, job: str) -> dict[str, Any]:
    """Return everything about one job in plain words and numbers, without pit tables.

    job, slabs (with zones, repairs and surveys; a survey with photos and inspections, an
    inspection with decisions and comparisons), trials and notes. What was put away is left out.
    """
    with reading(log) as session:
        row = find_job_row(session, job)
        rows = _Rows(session)
        return {
            **row_values(row),
            "slabs": [_show_slab(rows, slab) for slab in rows.of(Slab, Slab.job_id, row.id)],
            "trials": [row_values(r) for r in rows.of(Trial, Trial.job_id, row.id)],
            "notes": [row_values(r) for r in rows.of(Note, Note.job_id, row.id)],
        }


def search_log(log: Log, question: Question) -> pd.DataFrame:
    """Return one row per inspection that answers the question (FOUND_COLUMNS), latest first."""
    reopened = (
        sa.select(StoredComparison.after_id, sa.func.sum(StoredComparison.n_reopened).label("n"))
        .group_by(StoredComparison.after_id)
        .subquery()
    )
    by_zone = bool(question.zone)
    n_pits, largest = (
        (ZoneSum.n_pits, ZoneSum.largest_mm)
        if by_zone
        else (StoredInspection.n_pits, StoredInspection.largest_mm)
    )
    query = (
        sa.select(
            Job.name, Slab.name, Survey.stage, Survey.taken_at,
            ZoneSum.zone if by_zone else sa.literal(""), Slab.id, n_pits, largest,
            sa.func.coalesce(reopened.c.n, 0), StoredInspection.uid,
        )
        .select_from(StoredInspection)
        .join(Survey)
        .join(Slab)
        .join(Job)
        .outerjoin(reopened, reopened.c.after_id == StoredInspection.id)
        .where(*(table.deleted_at.is_(None) for table in (Job, Slab, Survey)))
        .order_by(Survey.taken_at.desc(), StoredInspection.id.desc())
    )  # fmt: skip
    if by_zone:
        query = query.join(ZoneSum, ZoneSum.inspection_id == StoredInspection.id)
    query = query.where(*_conditions(question, largest, reopened.c.n))
    with reading(log) as session:
        rows = session.execute(query).all()
        mixes = _list_mixes(session, {row[5] for row in rows}, question.zone)
    filled = [(*row[:5], mixes.get(row[5], ""), *row[6:]) for row in rows]
    return _to_table(FOUND_COLUMNS, filled, day="day")


def find_inspection(log: Log, words: str) -> str:
    """Return the uid of the inspection that a person names.

    words : its uid or at least six letters of its beginning, or job/slab/stage, job/stage or
    job/slab as they stand in the log; of several surveys with that name the latest is meant.

    Raises
    ------
    LogError
        Nothing or more than one slab is called so.
    """
    found, asked = search_log(log, Question()), words.strip().casefold()
    starts = found["inspection"].str.startswith(asked)
    if len(asked) >= UID_LETTERS_MIN and starts.sum() == 1:
        return str(found["inspection"][starts].iloc[0])
    names = found[["job", "slab", "stage"]].apply(lambda part: part.str.casefold())
    job, slab, stage = names["job"], names["slab"], names["stage"]
    is_named = (asked == job + "/" + slab + "/" + stage) | (asked == job + "/" + slab)
    is_named |= asked == job + "/" + stage
    rows = found[is_named]
    if rows.empty:
        raise LogError(
            f"The log has no survey {words!r}; write it as job/slab/stage, or its number from "
            "`rakelight jobs show`."
        )
    if rows[["job", "slab"]].drop_duplicates().shape[0] > 1:
        raise LogError(f"Several slabs have a survey {words!r}; write job/slab/stage.")
    return str(rows["inspection"].iloc[0])


def list_series(log: Log, uid: str) -> list[str]:
    """Return the uids of the slab's surveys in order of time, up to and with this inspection.

    Of a survey that was inspected more than once the latest counts, of the last survey this one.
    """
    with reading(log) as session:
        row = session.scalars(sa.select(StoredInspection).where(StoredInspection.uid == uid)).one()
        survey = session.get_one(Survey, row.survey_id)
        query = (
            sa.select(StoredInspection.uid, Survey.id)
            .join(Survey)
            .where(
                Survey.slab_id == survey.slab_id,
                Survey.deleted_at.is_(None),
                sa.or_(
                    Survey.taken_at < survey.taken_at,
                    sa.and_(Survey.taken_at == survey.taken_at, Survey.id < survey.id),
                ),
            )
            .order_by(Survey.taken_at, Survey.id, StoredInspection.id)
        )
        latest = {number: found for found, number in session.execute(query)}
    return [*latest.values(), uid]


def _conditions(question: Question, largest, n_reopened) -> list[sa.ColumnElement[bool]]:
    found: list[sa.ColumnElement[bool]] = []
    if question.job:
        found.append(_mentions(question.job))
    if question.stage:
        found.append(Survey.stage.icontains(question.stage, autoescape=True))
    if question.zone:
        found.append(ZoneSum.zone == question.zone)
    if question.mix:
        found.append(_has_mix(question))
    if question.month:
        start, end = _month_range(question.month)
        found.append(sa.and_(Survey.taken_at >= start, Survey.taken_at < end))
    if question.min_size_mm is not None:
        found.append(largest >= question.min_size_mm)
    if question.is_reopened:
        found.append(n_reopened > 0)
    return found


def _mentions(words: str) -> sa.ColumnElement[bool]:
    columns = (Job.name, Job.client, Job.site, Job.words)
    noted = sa.select(Note.job_id).where(
        Note.deleted_at.is_(None), Note.text.icontains(words, autoescape=True)
    )
    return sa.or_(*(c.icontains(words, autoescape=True) for c in columns), Job.id.in_(noted))


def _has_mix(question: Question) -> sa.ColumnElement[bool]:
    zones = sa.select(PourZone.slab_id).where(
        PourZone.deleted_at.is_(None), PourZone.mix.icontains(question.mix, autoescape=True)
    )
    if question.zone:
        zones = zones.where(PourZone.name == question.zone)
    return Slab.id.in_(zones)


def _month_range(month: str) -> tuple[datetime, datetime]:
    try:
        start = datetime.strptime(month, "%Y-%m").replace(tzinfo=UTC)
    except ValueError:
        raise LogError(f"Write the month as year-month, e.g. 2026-11, not {month!r}.") from None
    return start, (start + timedelta(days=32)).replace(day=1)


def _list_mixes(session, slab_ids: set[int], zone: str) -> dict[int, str]:
    query = sa.select(PourZone.slab_id, PourZone.mix).where(
        PourZone.deleted_at.is_(None), PourZone.mix != ""
    )
    if zone:
        query = query.where(PourZone.name == zone)
    mixes: dict[int, list[str]] = {}
    for slab_id, mix in session.execute(query.order_by(PourZone.id)):
        if slab_id in slab_ids and mix not in mixes.setdefault(slab_id, []):
            mixes[slab_id].append(mix)
    return {slab_id: ", ".join(found) for slab_id, found in mixes.items()}


def _latest_inspections() -> sa.Subquery:
    """Surveys of every job with their inspection, numbered from the latest."""
    order = (Survey.taken_at.desc(), Survey.id.desc(), StoredInspection.id.desc())
    return (
        sa.select(
            Slab.job_id, Survey.stage, Survey.taken_at, StoredInspection.n_pits,
            StoredInspection.area_share, StoredInspection.verdict,
            sa.func.row_number().over(partition_by=Slab.job_id, order_by=order).label("place"),
        )
        .join(Slab, Slab.id == Survey.slab_id)
        .outerjoin(StoredInspection, StoredInspection.survey_id == Survey.id)
        .where(Slab.deleted_at.is_(None), Survey.deleted_at.is_(None))
        .subquery()
    )  # fmt: skip


def _count_surveys() -> sa.Subquery:
    return (
        sa.select(
            Slab.job_id,
            sa.func.count(sa.distinct(Slab.id)).label("n_slabs"),
            sa.func.count(Survey.id).label("n_surveys"),
        )
        .outerjoin(Survey, sa.and_(Survey.slab_id == Slab.id, Survey.deleted_at.is_(None)))
        .where(Slab.deleted_at.is_(None))
        .group_by(Slab.job_id)
        .subquery()
    )


def _count_reopened() -> sa.Subquery:
    return (
        sa.select(Slab.job_id, sa.func.sum(StoredComparison.n_reopened).label("n_reopened"))
        .join(StoredInspection, StoredInspection.id == StoredComparison.after_id)
        .join(Survey, Survey.id == StoredInspection.survey_id)
        .join(Slab, Slab.id == Survey.slab_id)
        .group_by(Slab.job_id)
        .subquery()
    )


class _Rows:
    """Rows that were not put away, by their parent, in the order they were made."""

    def __init__(self, session: sa.orm.Session) -> None:
        self.session = session

    def of(self, table: type, key: Any, parent: int) -> list[Any]:
        query = sa.select(table).where(key == parent).order_by(table.id)
        if hasattr(table, "deleted_at"):
            query = query.where(table.deleted_at.is_(None))
        return list(self.session.scalars(query))


def _show_slab(rows: _Rows, slab: Slab) -> dict[str, Any]:
    return {
        **row_values(slab),
        "zones": [row_values(r) for r in rows.of(PourZone, PourZone.slab_id, slab.id)],
        "repairs": [row_values(r) for r in rows.of(Repair, Repair.slab_id, slab.id)],
        "surveys": [_show_survey(rows, r) for r in rows.of(Survey, Survey.slab_id, slab.id)],
    }


def _show_survey(rows: _Rows, survey: Survey) -> dict[str, Any]:
    inspections = rows.of(StoredInspection, StoredInspection.survey_id, survey.id)
    return {
        **row_values(survey),
        "photos": [row_values(r) for r in rows.of(Photo, Photo.survey_id, survey.id)],
        "inspections": [_show_inspection(rows, r) for r in inspections],
    }


def _show_inspection(rows: _Rows, row: StoredInspection) -> dict[str, Any]:
    comparisons = rows.of(StoredComparison, StoredComparison.after_id, row.id)
    return {
        **row_values(row),
        "decisions": [row_values(r) for r in rows.of(Decision, Decision.inspection_id, row.id)],
        "comparisons": [row_values(r) for r in comparisons],
    }


def _to_table(columns, rows, *, day: str) -> pd.DataFrame:
    """The declared table of query rows given in the order of its columns."""
    values: dict[str, list[Any]] = {column.name: [] for column in columns}
    for row in rows:
        for column, value in zip(columns, row, strict=True):
            if column.name == day:
                value = "" if value is None else value.astimezone().strftime("%Y-%m-%d")
            elif value is None:
                value = {"str": "", "int64": 0, "float64": float("nan")}.get(column.dtype, pd.NA)
            values[column.name].append(value)
    return make_table(columns, values if rows else None)
