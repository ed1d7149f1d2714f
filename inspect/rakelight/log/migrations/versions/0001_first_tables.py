"""First tables: jobs, slabs, surveys, photos, inspections and what people write."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

RESULTS = ("inspection", "zone_sum", "comparison", "sheet")
WRITINGS = ("decision", "repair", "trial", "note", "history", "purge")
TABLES = ("job", "slab", "pour_zone", "survey", "photo", *RESULTS, *WRITINGS)
MOMENT = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Make every table, parents first."""
    _make_jobs()
    _make_surveys()
    _make_results()
    _make_sheets()
    _make_writings()
    _make_history()


def downgrade() -> None:
    """Drop every table, children first."""
    for name in reversed(TABLES):
        op.drop_table(name)


def _make(name: str, *parts: sa.Column | sa.Constraint, removable: bool = False) -> None:
    """Make a table of rows with a number, a uid and a time."""
    common = [
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("uid", sa.String(32), nullable=False, unique=True),
        sa.Column("made_at", MOMENT, nullable=False),
    ]
    if removable:
        common.append(sa.Column("deleted_at", MOMENT))
    op.create_table(name, *common, *parts)


def _parent(name: str, to: str, *, nullable: bool = False) -> sa.Column:
    key = sa.ForeignKey(f"{to}.id", ondelete="CASCADE")
    return sa.Column(name, sa.Integer, key, index=True, nullable=nullable)


def _text(name: str, **more: bool) -> sa.Column:
    return sa.Column(name, sa.Text, nullable=False, **more)


def _json(name: str) -> sa.Column:
    return sa.Column(name, sa.JSON, nullable=False)


def _number(name: str, **more: bool) -> sa.Column:
    return sa.Column(name, sa.Double, **more)


def _count(name: str, **more: bool) -> sa.Column:
    return sa.Column(name, sa.Integer, nullable=False, **more)


def _digest(name: str, *, nullable: bool = False) -> sa.Column:
    return sa.Column(name, sa.String(64), index=True, nullable=nullable)


def _uid_of(name: str) -> sa.Column:
    return sa.Column(name, sa.String(32), nullable=False, index=True)


def _make_jobs() -> None:
    job = (_text("name", unique=True), *map(_text, ("client", "site", "words")), _json("agreed"))
    _make("job", *job, removable=True)
    _make(
        "slab",
        _parent("job_id", "job"),
        _text("name"),
        *map(_number, ("width_mm", "height_mm")),
        *map(_json, ("outline_mm", "openings", "faces")),
        _text("note"),
        sa.UniqueConstraint("job_id", "name"),
        removable=True,
    )
    _make(
        "pour_zone",
        _parent("slab_id", "slab"),
        _text("name", index=True),
        _text("mix", index=True),
        _text("batch"),
        sa.Column("poured_at", MOMENT),
        _number("air_c"),
        _json("outline_mm"),
        _text("note"),
        removable=True,
    )


def _make_surveys() -> None:
    _make(
        "survey",
        _parent("slab_id", "slab"),
        _text("stage"),
        sa.Column("taken_at", MOMENT, nullable=False, index=True),
        _number("age_days"),
        _text("note"),
        removable=True,
    )
    _make(
        "photo",
        _parent("survey_id", "survey"),
        _digest("sha256"),
        sa.Column("suffix", sa.String(8), nullable=False),
        sa.Column("n_bytes", sa.BigInteger, nullable=False),
        *map(_text, ("name", "kind")),
        sa.UniqueConstraint("survey_id", "sha256"),
    )


def _make_results() -> None:
    _make(
        "inspection",
        _parent("survey_id", "survey"),
        _text("version"),
        _count("schema"),
        _text("verdict"),
        *map(_count, ("n_pits", "n_pinholes", "n_bug_holes", "n_voids")),
        _number("largest_mm", index=True),
        *map(_number, ("smallest_countable_mm", "area_share", "seen_mm2")),
        _digest("face_sha256", nullable=True),
        _digest("fingerprint"),
    )
    op.create_table(
        "zone_sum",
        sa.Column("id", sa.Integer, primary_key=True),
        _parent("inspection_id", "inspection"),
        _text("zone", index=True),
        _count("n_pits"),
        _number("area_mm2", nullable=False),
        _number("largest_mm", index=True),
    )
    _make(
        "comparison",
        _parent("before_id", "inspection"),
        _parent("after_id", "inspection"),
        _text("version"),
        *map(_count, ("n_closed", "n_dished", "n_open", "n_new", "n_unseen")),
        _count("n_reopened", index=True),
        _digest("fingerprint"),
    )


def _make_sheets() -> None:
    op.create_table(
        "sheet",
        sa.Column("id", sa.Integer, primary_key=True),
        _parent("inspection_id", "inspection", nullable=True),
        _parent("comparison_id", "comparison", nullable=True),
        sa.Column("name", sa.String(40), nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("data", sa.LargeBinary, nullable=False),
        sa.CheckConstraint("(inspection_id IS NULL) <> (comparison_id IS NULL)", name="one_owner"),
        sa.UniqueConstraint("inspection_id", "name"),
    )


def _make_writings() -> None:
    _make(
        "decision",
        _parent("inspection_id", "inspection"),
        _text("what"),
        sa.Column("pit_id", sa.Integer),
        *map(_number, ("x_mm", "y_mm", "diameter_mm")),
        *map(_text, ("who", "why")),
        removable=True,
    )
    _make(
        "repair",
        _parent("slab_id", "slab"),
        *map(_text, ("action", "zone")),
        sa.Column("n_pits", sa.Integer),
        *map(_number, ("area_m2", "minutes", "grams")),
        _text("material", index=True),
        sa.Column("done_at", MOMENT, nullable=False),
        *map(_text, ("who", "note")),
        removable=True,
    )
    trial = (_text("slab_name"), _json("recipe"), *map(_number, ("cured_days", "tone_dE00")))
    _make("trial", _parent("job_id", "job"), *trial, *map(_text, ("result", "who")), removable=True)
    _make("note", _parent("job_id", "job"), *map(_text, ("text", "who")), removable=True)


def _make_history() -> None:
    _make(
        "history",
        _uid_of("job_uid"),
        sa.Column("kind", sa.String(20), nullable=False),
        _uid_of("row_uid"),
        sa.Column("what", sa.String(20), nullable=False),
        *map(_json, ("before", "after")),
        *map(_text, ("who", "why")),
    )
    _make("purge", _uid_of("job_uid"), *map(_text, ("who", "why")))
