"""The tables as the code sees them. Their making and changing is in the migrations, in step with this file."""

from __future__ import annotations

import datetime as dt

from sqlalchemy import Boolean, Column, Date, DateTime, ForeignKey, Integer, MetaData, String, Table, Text
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator


class Moment(TypeDecorator[dt.datetime]):
    """A moment in UTC; goes in and comes out aware."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: dt.datetime | None, dialect: Dialect) -> dt.datetime | None:
        """To UTC, and without a zone for SQLite, which keeps none."""
        if value is None:
            return None
        value = value.astimezone(dt.UTC)
        return value.replace(tzinfo=None) if dialect.name == "sqlite" else value

    def process_result_value(self, value: dt.datetime | None, dialect: Dialect) -> dt.datetime | None:
        """Back to an aware moment in UTC."""
        if value is None:
            return None
        return value.replace(tzinfo=dt.UTC) if value.tzinfo is None else value.astimezone(dt.UTC)


metadata = MetaData()

visits = Table(
    "visits",
    metadata,
    Column("visit_id", String(120), primary_key=True),
    Column("opened_at", Moment, nullable=False),
)

# Append-only: the database itself refuses to change or delete a row.
events = Table(
    "events",
    metadata,
    Column("visit_id", String(120), ForeignKey("visits.visit_id"), primary_key=True),
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("at", Moment, nullable=False),
    Column("actor", String(200), nullable=False),
    Column("client_id", String(120), nullable=False, unique=True),
    Column("type", String(40), nullable=False),
    Column("payload", Text, nullable=False),
)

settings = Table(
    "settings",
    metadata,
    Column("key", String(120), primary_key=True),
    Column("value", Text, nullable=False),
)

# The read model: derived from the events, rebuilt at any time.
visit_lines = Table(
    "visit_lines",
    metadata,
    Column("visit_id", String(120), ForeignKey("visits.visit_id"), primary_key=True),
    Column("seq", Integer, nullable=False),
    Column("patient_code", String(200), nullable=False, index=True),
    Column("opened_at", Moment, nullable=False, index=True),
    Column("closed", Boolean, nullable=False),
    Column("review_on", Date, nullable=True, index=True),
    Column("search", Text, nullable=False),
    Column("line", Text, nullable=False),
)
