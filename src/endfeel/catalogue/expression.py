"""The small language in which the catalogue says when a result is positive.

    travel != "same" or stop != "firm"          observation compared with a word
    angle < 10 and not (pain >= 7)              with a number
    posterior-sag == "positive"                 another finding's result
    fear.free != "none" and done.both           one position's value; a bare name must be true

What was not observed is unknown, not false: unknown spreads through `and`, `or` and `not` as in Kleene's logic
(Kleene SC, Introduction to Metamathematics, 1952, section 64), and an unknown whole holds for nothing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

Value = str | float | bool
Known = bool | None


class ExpressionError(ValueError):
    """The expression can not be read; one line says where."""


@dataclass(frozen=True)
class Expression:
    """A parsed expression: its text, the names that it uses, and how it evaluates."""

    text: str
    names: frozenset[str]
    _evaluate: Callable[[Mapping[str, Value]], Known]

    def holds(self, values: Mapping[str, Value]) -> bool:
        """True only where the values settle that it is true."""
        return self._evaluate(values) is True


def parse(text: str) -> Expression:
    """Read an expression; ExpressionError where it is malformed."""
    reader = _Reader(text)
    evaluate = reader.either()
    if reader.peek():
        raise ExpressionError(f"{text!r}: did not expect {reader.peek()!r}")
    return Expression(text, frozenset(reader.names), evaluate)


_TOKEN = re.compile(r"""\s*(?:("[^"]*")|(-?\d+(?:\.\d+)?)|([a-z][a-z0-9_.:-]*)|(==|!=|<=|>=|<|>|\(|\)))""")
_COMPARE: dict[str, Callable[[Value, Value], bool]] = {
    "==": lambda a, b: a == b,
    "!=": lambda a, b: a != b,
    "<": lambda a, b: float(a) < float(b),
    "<=": lambda a, b: float(a) <= float(b),
    ">": lambda a, b: float(a) > float(b),
    ">=": lambda a, b: float(a) >= float(b),
}
_Evaluate = Callable[[Mapping[str, Value]], Known]


class _Reader:
    """Recursive descent: or < and < not < comparison."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.names: set[str] = set()
        self.tokens: list[str] = []
        at = 0
        while at < len(text.rstrip()):
            found = _TOKEN.match(text, at)
            if not found:
                raise ExpressionError(f"{text!r}: can not read {text[at:].strip()!r}")
            self.tokens.append(found[0].strip())
            at = found.end()
        if not self.tokens:
            raise ExpressionError("an expression is empty")

    def peek(self) -> str:
        return self.tokens[0] if self.tokens else ""

    def take(self) -> str:
        if not self.tokens:
            raise ExpressionError(f"{self.text!r}: ends too early")
        return self.tokens.pop(0)

    def either(self) -> _Evaluate:
        parts = [self.both()]
        while self.peek() == "or":
            self.take()
            parts.append(self.both())
        return parts[0] if len(parts) == 1 else lambda v: _any(part(v) for part in parts)

    def both(self) -> _Evaluate:
        parts = [self.negated()]
        while self.peek() == "and":
            self.take()
            parts.append(self.negated())
        return parts[0] if len(parts) == 1 else lambda v: _all(part(v) for part in parts)

    def negated(self) -> _Evaluate:
        if self.peek() == "not":
            self.take()
            inner = self.negated()
            return lambda v: None if (known := inner(v)) is None else not known
        return self.comparison()

    def comparison(self) -> _Evaluate:
        token = self.take()
        if token == "(":
            inner = self.either()
            if self.take() != ")":
                raise ExpressionError(f"{self.text!r}: a bracket is not closed")
            return inner
        if not re.fullmatch(r"[a-z][a-z0-9_.:-]*", token) or token in ("and", "or", "not"):
            raise ExpressionError(f"{self.text!r}: expected a name before {token!r}")
        self.names.add(token)
        if self.peek() not in _COMPARE:
            return lambda v: _truth(v.get(token))
        compare = _COMPARE[operator := self.take()]
        literal = self.take()
        wanted: Value
        if literal.startswith('"'):
            wanted = literal[1:-1]
            if operator not in ("==", "!="):
                raise ExpressionError(f"{self.text!r}: {operator} compares numbers, not words")
        else:
            try:
                wanted = float(literal)
            except ValueError:
                raise ExpressionError(f"{self.text!r}: expected a quoted word or a number, not {literal!r}") from None

        def evaluate(values: Mapping[str, Value]) -> Known:
            value = values.get(token)
            if value is None or value == "":
                return None
            try:
                return compare(float(value) if isinstance(wanted, float) else str(value), wanted)
            except ValueError:
                return None

        return evaluate


def _truth(value: Value | None) -> Known:
    if value is None or value == "":
        return None
    return value not in (False, "no", "false", 0)


def _any(parts: object) -> Known:
    known = list(parts)  # type: ignore[call-overload]
    return True if True in known else None if None in known else False


def _all(parts: object) -> Known:
    known = list(parts)  # type: ignore[call-overload]
    return False if False in known else None if None in known else True
