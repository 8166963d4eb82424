"""Visits, their events, and settings."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "visits",
        sa.Column("visit_id", sa.String(120), primary_key=True),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
    )
    op.create_table(
        "events",
        sa.Column("visit_id", sa.String(120), sa.ForeignKey("visits.visit_id"), primary_key=True),
        sa.Column("seq", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("actor", sa.String(200), nullable=False),
        sa.Column("client_id", sa.String(120), nullable=False, unique=True),
        sa.Column("type", sa.String(40), nullable=False),
        sa.Column("payload", sa.Text, nullable=False),
    )
    op.create_table(
        "settings",
        sa.Column("key", sa.String(120), primary_key=True),
        sa.Column("value", sa.Text, nullable=False),
    )
