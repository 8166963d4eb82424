"""The database itself refuses to change or delete an event."""

from __future__ import annotations

from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_SAYS = "events are append-only: add a corrected event instead"


def upgrade() -> None:
    """Add the guards."""
    if op.get_bind().dialect.name == "sqlite":
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER events_no_{verb.lower()} BEFORE {verb} ON events "
                f"BEGIN SELECT RAISE(ABORT, '{_SAYS}'); END"
            )
        return
    op.execute(
        "CREATE FUNCTION endfeel_append_only() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{_SAYS}'; END $$"
    )
    op.execute(
        "CREATE TRIGGER events_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON events "
        "FOR EACH STATEMENT EXECUTE FUNCTION endfeel_append_only()"
    )
