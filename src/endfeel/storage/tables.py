"""The tables as the code sees them. Their making and changing is in the migrations, in step with this file."""

from __future__ import annotations

import datetime as dt

from sqlalchemy import (
    Boolean,
    Column,
    Date,
    DateTime,
    ForeignKey,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
)
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

# Append-only, as the events are: who read or wrote what, when, and from where. No text of a patient stands in it.
audit = Table(
    "audit",
    metadata,
    Column("entry_id", String(40), primary_key=True),  # sorts by the order in which entries were made
    Column("at", Moment, nullable=False, index=True),
    Column("who", String(200), nullable=False, index=True),
    Column("role", String(20), nullable=False),
    Column("what", String(20), nullable=False),
    Column("page", String(300), nullable=False),
    Column("visit_id", String(120), nullable=True, index=True),
    Column("status", Integer, nullable=False),
    Column("source", String(100), nullable=False),
    Column("device", String(60), nullable=False),
)

# An account is never deleted, only retired: its name stands beside recordings.
accounts = Table(
    "accounts",
    metadata,
    Column("name_key", String(120), primary_key=True),
    Column("name", String(60), nullable=False),
    Column("role", String(20), nullable=False),
    Column("password", Text, nullable=False),
    Column("made_at", Moment, nullable=False),
    Column("made_by", String(200), nullable=False),
    Column("retired_at", Moment, nullable=True),
)

devices = Table(
    "devices",
    metadata,
    Column("device_id", String(40), primary_key=True),
    Column("name", String(60), nullable=False),
    Column("token_hash", String(64), nullable=False, unique=True),
    Column("paired_at", Moment, nullable=False),
    Column("paired_by", String(200), nullable=False),
    Column("revoked_at", Moment, nullable=True),
)

# Tokens are kept as digests only: who reads the store can not sign in with what stands here.
sessions = Table(
    "sessions",
    metadata,
    Column("token_hash", String(64), primary_key=True),
    Column("name_key", String(120), ForeignKey("accounts.name_key"), nullable=False, index=True),
    Column("device_id", String(40), ForeignKey("devices.device_id"), nullable=True, index=True),
    Column("made_at", Moment, nullable=False),
    Column("seen_at", Moment, nullable=False),
    Column("ends_at", Moment, nullable=False),
)

# What visits' figures stand on (basis_archive.py), append-only. A part is named by the digest of its content.
basis_parts = Table(
    "basis_parts",
    metadata,
    Column("digest", String(64), primary_key=True),
    Column("content", LargeBinary, nullable=False),  # compressed by zlib; the digest is of what was compressed
)

bases = Table(
    "bases",
    metadata,
    Column("basis_id", String(64), primary_key=True),
    Column("made_at", Moment, nullable=False),
    Column("edition", String(200), nullable=False),
    Column("software", String(200), nullable=False),
    Column("manifest", Text, nullable=False),  # name -> digest, as JSON
)

# basis_id is null where what an earlier visit stood on could not be told any more.
visit_bases = Table(
    "visit_bases",
    metadata,
    Column("visit_id", String(120), ForeignKey("visits.visit_id"), primary_key=True),
    Column("basis_id", String(64), ForeignKey("bases.basis_id"), nullable=True),
    Column("how", String(20), nullable=False),
)
