"""Endfeel: from the patient's story to a short examination, honest chances, a decision and a note."""

__version__ = "0.1.0"
