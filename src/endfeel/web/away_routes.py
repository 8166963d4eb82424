"""What a device shows when the server is away: a page of words that says how many recordings wait there.

Public: router, version.

A worker in the browser keeps that page and its two companions, and nothing else: no page of a visit, no answer, no
name. It steps in only where opening a page gets no answer at all. Its text carries a fingerprint of what it keeps, so
that a newer one takes its place by itself.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

from fastapi import APIRouter
from starlette.responses import Response

router = APIRouter()
_STATIC = Path(__file__).parent / "static"
SHELL = ("away.html", "away.js", "endfeel.css", "mark.svg")


def version(folder: Path = _STATIC) -> str:
    """The fingerprint of what the worker keeps and does: the first 16 digits of a SHA-256."""
    seen = hashlib.sha256()
    for name in (*SHELL, "away-worker.js"):
        seen.update((folder / name).read_bytes())
    return seen.hexdigest()[:16]


@router.get("/away-worker.js")
def worker() -> Response:
    """The worker, for every page of this address."""
    text = (_STATIC / "away-worker.js").read_text("utf-8")
    kept = ", ".join(f'"/static/{name}"' for name in SHELL)
    return Response(
        text.replace("VERSION", f'"{version()}"').replace("SHELL", f"[{kept}]"), media_type="text/javascript"
    )
