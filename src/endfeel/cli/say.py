"""How figures are said on the command line: words before numbers, JSON as the contract writes it."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Mapping
from typing import Any

import typer

from endfeel.pooling.summary import Interval


def as_json(value: Mapping[str, Any]) -> None:
    """Print one JSON object; a number that is not finite is an error, never NaN in the output."""
    typer.echo(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def warn(line: str) -> None:
    """One line on standard error; nothing where it is empty."""
    if line:
        print(f"endfeel: {' '.join(line.split())}", file=sys.stderr)


def interval(value: Interval) -> dict[str, float]:
    """An interval as the contract writes it."""
    return {"mean": value.mean, "low": value.low, "high": value.high}


def percent(value: Interval) -> str:
    """A rate with its interval in per cent."""
    return f"{100 * value.mean:3.0f} % ({100 * value.low:.0f} to {100 * value.high:.0f})"


def ratio(value: Interval) -> str:
    """A likelihood ratio with its interval."""
    return f"{_figure(value.mean)} ({_figure(value.low)} to {_figure(value.high)})"


def _figure(value: float) -> str:
    if not math.isfinite(value):
        return "unbounded"
    return f"{value:.2f}" if value < 10 else f"{value:.0f}"
