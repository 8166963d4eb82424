"""A request that cannot be carried out, said in one clear line.

Public: Refused.
"""

from __future__ import annotations


class Refused(Exception):
    """Raised by a route; becomes a 4xx page (or JSON) holding the one line.

    status: HTTP status, 400 to 499.
    line: what is wrong, where, and how to mend it.
    """

    def __init__(self, status: int, line: str) -> None:
        if not 400 <= status <= 499:
            raise ValueError(f"a refusal needs a 4xx status, not {status}")
        super().__init__(line)
        self.status = status
        self.line = line
