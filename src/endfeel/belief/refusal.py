"""What belief refuses: input that no answer could be given to, in one clear line."""

from __future__ import annotations


class BeliefError(ValueError):
    """What is wrong, where it stands, and how to mend it, in one line."""
