"""The house protocol of a visit: the one for such a patient, and in one line where the recorded results have led in it.

Public: HouseLine, house_line.
"""

from __future__ import annotations

from dataclasses import dataclass

from endfeel.documents.strategy_tree import ONSETS, reached
from endfeel.planning.situation import Situation
from endfeel.visits.problem import ProblemState
from endfeel.web.desk import Desk
from endfeel.web.house_protocols import HouseProtocol, HouseProtocols


@dataclass(frozen=True)
class HouseLine:
    """A link to the protocol and what it would do. says: before the name of the finding that comes next, or all there
    is to say; name, finding: that finding and its page, empty where none comes next. but: why it is not offered here.
    """

    href: str
    title: str
    says: str
    name: str
    finding: str
    but: str


def house_line(desk: Desk, problem: ProblemState, situation: Situation, base: str) -> HouseLine | None:
    """The line for a problem; None where the clinic adopted none for its region. base: the address of the problem."""
    held = HouseProtocols(desk.store).in_use(problem.region)
    if not held:
        return None
    protocol = min(held, key=lambda p: (p.onset != _onset(problem), p.setting != problem.setting))
    href = f"/strategies/house/{protocol.protocol_id}"
    if not _fits(protocol, problem):
        return HouseLine(href, protocol.name, f"it is for a problem {ONSETS[protocol.onset]}", "", "", "")
    if situation.sent_first:
        return HouseLine(href, protocol.name, f"a flag ends it ({situation.sent_first})", "", "", "")
    line = reached(protocol.sheet, problem.results())
    if line.kind == "end":
        return HouseLine(href, protocol.name, f"it ends here: {line.words[:1].lower()}{line.words[1:]}", "", "", "")
    known = line.observable.partition(":")[0] in desk.catalogue.region(problem.region).findings
    because = (desk.why_withheld(problem, line.observable, situation) or "") if known else "no longer in the catalogue"
    result = problem.results().get(line.observable)
    if result is not None:
        because = f"recorded as {'not done' if result == 'not-done' else result}"
    finding = f"{base}/findings/{line.observable}" if known else ""
    return HouseLine(href, protocol.name, "next would be", line.words, finding, because)


def _fits(protocol: HouseProtocol, problem: ProblemState) -> bool:
    return protocol.onset in (_onset(problem), "unknown")


def _onset(problem: ProblemState) -> str:
    """How it began, as the protocols name it: a sudden onset without an injury counts as gradual."""
    told = problem.story.onset
    return "injury" if told == "injury" else "unknown" if told is None else "gradual"
