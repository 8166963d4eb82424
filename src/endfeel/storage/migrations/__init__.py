"""Alembic migrations; they run when a store is opened."""
