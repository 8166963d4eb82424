"""How figures are said on the command line: words before numbers, JSON as the contract writes it."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

import typer

from endfeel.pooling.summary import Interval


def as_json(value: Mapping[str, Any]) -> None:
    """Print one JSON object; a number that is not finite is an error, never NaN in the output."""
    typer.echo(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def interval(value: Interval) -> dict[str, float]:
    """An interval as the contract writes it."""
    return {"mean": value.mean, "low": value.low, "high": value.high}


def in_ten(chance: Interval) -> str:
    """A chance in words: "about 6 in 10 (3 to 8)"."""
    if chance.mean < 0.05:
        return f"about {_count(chance.mean, 100)} in 100 ({_count(chance.low, 100)} to {_count(chance.high, 100)})"
    return f"about {_count(chance.mean, 10)} in 10 ({_count(chance.low, 10)} to {_count(chance.high, 10)})"


def percent(value: Interval) -> str:
    """A rate with its interval in per cent."""
    return f"{100 * value.mean:3.0f} % ({100 * value.low:.0f} to {100 * value.high:.0f})"


def ratio(value: Interval) -> str:
    """A likelihood ratio with its interval."""
    return f"{_figure(value.mean)} ({_figure(value.low)} to {_figure(value.high)})"


def _count(chance: float, out_of: int) -> str:
    return str(round(chance * out_of))


def _figure(value: float) -> str:
    if not math.isfinite(value):
        return "unbounded"
    return f"{value:.2f}" if value < 10 else f"{value:.0f}"
