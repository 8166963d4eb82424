"""What visits' figures stand on. Earlier visits get theirs when the server next starts, as far as it can be told."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

_SAYS = "what visits stand on is append-only"


def upgrade() -> None:
    """Make the tables and their guards."""
    op.create_table(
        "basis_parts",
        sa.Column("digest", sa.String(64), primary_key=True),
        sa.Column("content", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "bases",
        sa.Column("basis_id", sa.String(64), primary_key=True),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("edition", sa.String(200), nullable=False),
        sa.Column("software", sa.String(200), nullable=False),
        sa.Column("manifest", sa.Text, nullable=False),
    )
    op.create_table(
        "visit_bases",
        sa.Column("visit_id", sa.String(120), sa.ForeignKey("visits.visit_id"), primary_key=True),
        sa.Column("basis_id", sa.String(64), sa.ForeignKey("bases.basis_id"), nullable=True),
        sa.Column("how", sa.String(20), nullable=False),
    )
    tables = ("basis_parts", "bases", "visit_bases")
    if op.get_bind().dialect.name == "sqlite":
        for table in tables:
            for verb in ("UPDATE", "DELETE"):
                op.execute(
                    f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
                    f"BEGIN SELECT RAISE(ABORT, '{_SAYS}'); END"
                )
        return
    op.execute(
        "CREATE FUNCTION endfeel_bases_append_only() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{_SAYS}'; END $$"
    )
    for table in tables:
        op.execute(
            f"CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION endfeel_bases_append_only()"
        )
