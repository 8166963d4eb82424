"""Pooled accuracy of every studied pair of observable and condition: EvidenceBase in, posterior draws out."""

from endfeel.pooling.edition import Edition, EditionError, UnknownPairError, load_edition, save_edition
from endfeel.pooling.summary import Interval, PooledAccuracy, SensSpec, assume, pool

__all__ = [
    "Edition",
    "EditionError",
    "Interval",
    "PooledAccuracy",
    "SensSpec",
    "UnknownPairError",
    "assume",
    "load_edition",
    "pool",
    "save_edition",
]
