"""Pooled accuracy of every studied pair of observable and condition: EvidenceBase in, posterior draws out."""

from endfeel.pooling.edition import Edition, EditionError, UnknownPairError, load_edition, save_edition

__all__ = ["Edition", "EditionError", "UnknownPairError", "load_edition", "save_edition"]
