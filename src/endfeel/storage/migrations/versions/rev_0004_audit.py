"""The audit trail; the database itself refuses to change or delete an entry."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_SAYS = "the audit trail is append-only"


def upgrade() -> None:
    """Make the table and its guards."""
    op.create_table(
        "audit",
        sa.Column("entry_id", sa.String(40), primary_key=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("who", sa.String(200), nullable=False),
        sa.Column("role", sa.String(20), nullable=False),
        sa.Column("what", sa.String(20), nullable=False),
        sa.Column("page", sa.String(300), nullable=False),
        sa.Column("visit_id", sa.String(120), nullable=True),
        sa.Column("status", sa.Integer, nullable=False),
        sa.Column("source", sa.String(100), nullable=False),
        sa.Column("device", sa.String(60), nullable=False),
    )
    for column in ("at", "who", "visit_id"):
        op.create_index(f"ix_audit_{column}", "audit", [column])
    if op.get_bind().dialect.name == "sqlite":
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER audit_no_{verb.lower()} BEFORE {verb} ON audit "
                f"BEGIN SELECT RAISE(ABORT, '{_SAYS}'); END"
            )
        return
    op.execute(
        "CREATE FUNCTION endfeel_audit_append_only() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{_SAYS}'; END $$"
    )
    op.execute(
        "CREATE TRIGGER audit_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON audit "
        "FOR EACH STATEMENT EXECUTE FUNCTION endfeel_audit_append_only()"
    )
