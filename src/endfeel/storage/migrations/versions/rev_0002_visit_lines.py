"""The read model for lists. It starts empty; the store fills it from the events once the migrations are done."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "visit_lines",
        sa.Column("visit_id", sa.String(120), sa.ForeignKey("visits.visit_id"), primary_key=True),
        sa.Column("seq", sa.Integer, nullable=False),
        sa.Column("patient_code", sa.String(200), nullable=False),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("closed", sa.Boolean, nullable=False),
        sa.Column("review_on", sa.Date, nullable=True),
        sa.Column("search", sa.Text, nullable=False),
        sa.Column("line", sa.Text, nullable=False),
    )
    for column in ("patient_code", "opened_at", "review_on"):
        op.create_index(f"ix_visit_lines_{column}", "visit_lines", [column])
