"""The tables of the job log, the same on SQLite and PostgreSQL.

A job has slabs, a slab has pour zones, surveys and repairs, a survey has photos and
inspections. What was measured (photo, inspection, its tables) is never changed; what people
write can be corrected, and `history` keeps every word that stood there before. Every row has a
`uid` that stays the same when a job travels in a bundle.
"""

import uuid
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column
from sqlalchemy.types import TypeDecorator

NAMES = {
    "ix": "ix_%(column_0_label)s",
    "uq": "uq_%(table_name)s_%(column_0_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s",
    "pk": "pk_%(table_name)s",
}


class UtcTime(TypeDecorator):
    """A moment, always with its time zone; SQLite would hand it back without."""

    impl = sa.DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: sa.Dialect) -> datetime | None:
        """Store as UTC; a moment without a zone is taken for local time."""
        return None if value is None else value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: sa.Dialect) -> datetime | None:
        """Hand back as UTC."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Base(DeclarativeBase):
    """All tables of the log."""

    metadata = sa.MetaData(naming_convention=NAMES)
    type_annotation_map = {  # noqa: RUF012  read by SQLAlchemy when the class is made
        datetime: UtcTime,
        dict[str, Any]: sa.JSON,
        list[Any]: sa.JSON,
        bytes: sa.LargeBinary,
        str: sa.Text,
    }


def make_uid() -> str:
    """Return a new name that no other record anywhere has."""
    return uuid.uuid4().hex


def now_utc() -> datetime:
    """Return this moment, UTC."""
    return datetime.now(UTC)


class Row:
    """What every table has: a number here, a name everywhere, and when it was written."""

    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(sa.String(32), unique=True, default=make_uid)
    made_at: Mapped[datetime] = mapped_column(default=now_utc)


class Removable(Row):
    """What a person can put away and bring back."""

    deleted_at: Mapped[datetime | None]


def _parent(column: str) -> Mapped[Any]:
    return mapped_column(sa.ForeignKey(column, ondelete="CASCADE"), index=True)


class Job(Removable, Base):
    """A client's order: who, where, what was agreed, in their own words."""

    __tablename__ = "job"
    name: Mapped[str] = mapped_column(unique=True)
    client: Mapped[str] = mapped_column(default="")
    site: Mapped[str] = mapped_column(default="")
    words: Mapped[str] = mapped_column(default="")
    agreed: Mapped[dict[str, Any]] = mapped_column(default=dict)


class Slab(Removable, Base):
    """One cast piece: outline, openings and faces in plan mm."""

    __tablename__ = "slab"
    __table_args__ = (sa.UniqueConstraint("job_id", "name"),)
    job_id: Mapped[int] = _parent("job.id")
    name: Mapped[str]
    width_mm: Mapped[float | None]
    height_mm: Mapped[float | None]
    outline_mm: Mapped[list[Any]] = mapped_column(default=list)
    openings: Mapped[list[Any]] = mapped_column(default=list)
    faces: Mapped[list[Any]] = mapped_column(default=list)
    note: Mapped[str] = mapped_column(default="")


class PourZone(Removable, Base):
    """What was cast in one go: mix, batch, when and how warm."""

    __tablename__ = "pour_zone"
    slab_id: Mapped[int] = _parent("slab.id")
    name: Mapped[str] = mapped_column(index=True)
    mix: Mapped[str] = mapped_column(default="", index=True)
    batch: Mapped[str] = mapped_column(default="")
    poured_at: Mapped[datetime | None]
    air_c: Mapped[float | None]
    outline_mm: Mapped[list[Any]] = mapped_column(default=list)
    note: Mapped[str] = mapped_column(default="")


class Survey(Removable, Base):
    """One look at one slab at a stage of the work."""

    __tablename__ = "survey"
    slab_id: Mapped[int] = _parent("slab.id")
    stage: Mapped[str] = mapped_column(default="")
    taken_at: Mapped[datetime] = mapped_column(default=now_utc, index=True)
    age_days: Mapped[float | None]
    note: Mapped[str] = mapped_column(default="")


class Photo(Row, Base):
    """A photo of a survey; its bytes lie in the photo folder under their SHA-256."""

    __tablename__ = "photo"
    __table_args__ = (sa.UniqueConstraint("survey_id", "sha256"),)
    survey_id: Mapped[int] = _parent("survey.id")
    sha256: Mapped[str] = mapped_column(sa.String(64), index=True)
    suffix: Mapped[str] = mapped_column(sa.String(8), default="")
    n_bytes: Mapped[int] = mapped_column(sa.BigInteger)
    name: Mapped[str] = mapped_column(default="")
    kind: Mapped[str] = mapped_column(default="raking")


class StoredInspection(Row, Base):
    """What one run of the program made of a survey; numbers to search by beside the whole record."""

    __tablename__ = "inspection"
    survey_id: Mapped[int] = _parent("survey.id")
    version: Mapped[str]
    schema: Mapped[int]
    verdict: Mapped[str] = mapped_column(default="")
    n_pits: Mapped[int]
    n_pinholes: Mapped[int]
    n_bug_holes: Mapped[int]
    n_voids: Mapped[int]
    largest_mm: Mapped[float | None] = mapped_column(index=True)
    smallest_countable_mm: Mapped[float | None]
    area_share: Mapped[float | None]
    seen_mm2: Mapped[float | None]
    face_sha256: Mapped[str | None] = mapped_column(sa.String(64), index=True)
    fingerprint: Mapped[str] = mapped_column(sa.String(64), index=True)


class ZoneSum(Base):
    """Sums of one zone of one inspection, so that a search reads no pit table."""

    __tablename__ = "zone_sum"
    id: Mapped[int] = mapped_column(primary_key=True)
    inspection_id: Mapped[int] = _parent("inspection.id")
    zone: Mapped[str] = mapped_column(index=True)
    n_pits: Mapped[int]
    area_mm2: Mapped[float]
    largest_mm: Mapped[float | None] = mapped_column(index=True)


class StoredComparison(Row, Base):
    """What became of each pit between two inspections."""

    __tablename__ = "comparison"
    before_id: Mapped[int] = _parent("inspection.id")
    after_id: Mapped[int] = _parent("inspection.id")
    version: Mapped[str]
    n_closed: Mapped[int]
    n_dished: Mapped[int]
    n_open: Mapped[int]
    n_new: Mapped[int]
    n_unseen: Mapped[int]
    n_reopened: Mapped[int] = mapped_column(default=0, index=True)
    fingerprint: Mapped[str] = mapped_column(sa.String(64), index=True)


class Sheet(Base):
    """One compressed table or record that belongs to an inspection or a comparison.

    data : gzip of CSV or JSON text (name tells which: pits.csv, record.json ...).
    """

    __tablename__ = "sheet"
    __table_args__ = (
        sa.CheckConstraint("(inspection_id IS NULL) <> (comparison_id IS NULL)", name="one_owner"),
        sa.UniqueConstraint("inspection_id", "name"),
    )
    id: Mapped[int] = mapped_column(primary_key=True)
    inspection_id: Mapped[int | None] = _parent("inspection.id")
    comparison_id: Mapped[int | None] = _parent("comparison.id")
    name: Mapped[str] = mapped_column(sa.String(40))
    sha256: Mapped[str] = mapped_column(sa.String(64))
    data: Mapped[bytes]


class Decision(Removable, Base):
    """Who overruled what, and why. The measured record stays as it was."""

    __tablename__ = "decision"
    inspection_id: Mapped[int] = _parent("inspection.id")
    what: Mapped[str]
    pit_id: Mapped[int | None]
    x_mm: Mapped[float | None]
    y_mm: Mapped[float | None]
    diameter_mm: Mapped[float | None]
    who: Mapped[str] = mapped_column(default="")
    why: Mapped[str] = mapped_column(default="")


class Repair(Removable, Base):
    """Work really done: what, how much, how long, with which material."""

    __tablename__ = "repair"
    slab_id: Mapped[int] = _parent("slab.id")
    action: Mapped[str]
    zone: Mapped[str] = mapped_column(default="")
    n_pits: Mapped[int | None]
    area_m2: Mapped[float | None]
    minutes: Mapped[float | None]
    grams: Mapped[float | None]
    material: Mapped[str] = mapped_column(default="", index=True)
    done_at: Mapped[datetime] = mapped_column(default=now_utc)
    who: Mapped[str] = mapped_column(default="")
    note: Mapped[str] = mapped_column(default="")


class Trial(Removable, Base):
    """A test patch: recipe, how long it cured and how its tone came out."""

    __tablename__ = "trial"
    job_id: Mapped[int] = _parent("job.id")
    slab_name: Mapped[str] = mapped_column(default="")
    recipe: Mapped[dict[str, Any]] = mapped_column(default=dict)
    cured_days: Mapped[float | None]
    tone_dE00: Mapped[float | None]
    result: Mapped[str] = mapped_column(default="")
    who: Mapped[str] = mapped_column(default="")


class Note(Removable, Base):
    """A remark on a job, in words."""

    __tablename__ = "note"
    job_id: Mapped[int] = _parent("job.id")
    text: Mapped[str]
    who: Mapped[str] = mapped_column(default="")


class History(Row, Base):
    """Every change, in order; rows are only ever added (kept by the database itself)."""

    __tablename__ = "history"
    job_uid: Mapped[str] = mapped_column(sa.String(32), index=True)
    kind: Mapped[str] = mapped_column(sa.String(20))
    row_uid: Mapped[str] = mapped_column(sa.String(32), index=True)
    what: Mapped[str] = mapped_column(sa.String(20))
    before: Mapped[dict[str, Any]] = mapped_column(default=dict)
    after: Mapped[dict[str, Any]] = mapped_column(default=dict)
    who: Mapped[str] = mapped_column(default="")
    why: Mapped[str] = mapped_column(default="")


class Purge(Row, Base):
    """That a job was purged on request; nothing of it remains but this line."""

    __tablename__ = "purge"
    job_uid: Mapped[str] = mapped_column(sa.String(32), index=True)
    who: Mapped[str] = mapped_column(default="")
    why: Mapped[str] = mapped_column(default="")


KINDS: dict[str, type[Base]] = {
    "job": Job,
    "slab": Slab,
    "pour_zone": PourZone,
    "survey": Survey,
    "photo": Photo,
    "inspection": StoredInspection,
    "comparison": StoredComparison,
    "decision": Decision,
    "repair": Repair,
    "trial": Trial,
    "note": Note,
}
"""Every kind of record that has a uid and belongs to a job, by the name people type."""

CHANGEABLE = ("job", "slab", "pour_zone", "survey", "decision", "repair", "trial", "note")
"""What people write and may correct or put away; what was measured is not among them."""
