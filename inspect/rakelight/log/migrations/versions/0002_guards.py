"""Guards: the database itself keeps history and measurements as they were written.

History may only be deleted for a job that stands in `purge`; photos, inspections, comparisons
and their sheets may go with their job but are never changed.
"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

KEPT = ("photo", "inspection", "zone_sum", "comparison", "sheet", "history", "purge")
REFUSAL = "this record is kept as it was written"


def upgrade() -> None:
    """Make the guards in the words of the database at hand."""
    if op.get_bind().dialect.name == "sqlite":
        _guard_file()
    else:
        _guard_server()


def downgrade() -> None:
    """Take the guards away."""
    is_file = op.get_bind().dialect.name == "sqlite"
    for table in KEPT:
        op.execute(f"DROP TRIGGER kept_{table}" + ("" if is_file else f" ON {table}"))
    op.execute("DROP TRIGGER kept_history_row" + ("" if is_file else " ON history"))
    if not is_file:
        op.execute("DROP FUNCTION refuse_change()")
        op.execute("DROP FUNCTION refuse_unless_purged()")


def _guard_file() -> None:
    for table in KEPT:
        op.execute(
            f"CREATE TRIGGER kept_{table} BEFORE UPDATE ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
        )
    op.execute(
        "CREATE TRIGGER kept_history_row BEFORE DELETE ON history "
        "WHEN NOT EXISTS (SELECT 1 FROM purge WHERE purge.job_uid = OLD.job_uid) "
        f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
    )


def _guard_server() -> None:
    op.execute(
        "CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{REFUSAL}'; END $$"
    )
    for table in KEPT:
        op.execute(
            f"CREATE TRIGGER kept_{table} BEFORE UPDATE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION refuse_change()"
        )
    op.execute(
        sa.text(
            "CREATE FUNCTION refuse_unless_purged() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
            "IF NOT EXISTS (SELECT 1 FROM purge WHERE purge.job_uid = OLD.job_uid) THEN "
            f"RAISE EXCEPTION '{REFUSAL}'; END IF; RETURN OLD; END $$"
        )
    )
    op.execute(
        "CREATE TRIGGER kept_history_row BEFORE DELETE ON history "
        "FOR EACH ROW EXECUTE FUNCTION refuse_unless_purged()"
    )
