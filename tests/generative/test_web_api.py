"""Requests made from the program's own description of its addresses: whatever is sent, no 5xx.

ENDFEEL_API_CASES sets how many for each address; bench/api_cases.py runs thousands.
"""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from bench.api_cases import Caller, caller

CASES = int(os.environ.get("ENDFEEL_API_CASES", "5"))


@pytest.fixture(scope="module")
def one() -> Iterator[Caller]:
    with caller() as made:
        yield made


def test_no_request_breaks_the_server(one: Caller) -> None:
    operations = one.operations()
    assert len(operations) > 80
    for operation in operations:
        one.try_one(operation, CASES, derandomize=True)
    made, well = sum(one.answers.values()), one.answers[200] + one.answers[303]
    assert made > 3 * len(operations)
    assert well > made / 10, f"too few got past the first check to mean anything: {dict(one.answers)}"
