"""At the treatment table: the bench page, opening a finding, recording, correcting, taking back, finding by letters.

Public: router.
"""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from endfeel.visits.corrections import root_of
from endfeel.visits.events import Corrected, Event, FindingRecorded
from endfeel.visits.safety import chances_withheld
from endfeel.visits.state import VisitState
from endfeel.web.ahead_view import Ahead, ahead_of
from endfeel.web.bench_view import BenchPage, bench_page
from endfeel.web.condition_view import ConditionPage, chance_set, condition_page
from endfeel.web.desk import Desk
from endfeel.web.device_routes import AtDesk, Form
from endfeel.web.finding_view import (
    FindingPage,
    FoundLine,
    criterion_words,
    find,
    finding_page,
    made_worse,
    observed,
    recorded_event,
)
from endfeel.web.forms import Sent
from endfeel.web.refused import Refused
from endfeel.web.respond import pages, templates
from endfeel.web.visit_head import Head, head
from endfeel.web.visit_routes import answer, answered, now_utc

router = APIRouter()


@dataclass(frozen=True)
class FoundPage:
    """What a search by letters found."""

    query: str
    found: tuple[FoundLine, ...]


@dataclass(frozen=True)
class WorsePage:
    """The form for a test that raised the symptoms."""

    head: Head
    observable: str
    name: str
    post: str
    back: str


@dataclass(frozen=True)
class AheadPage:
    """What comes next, by itself."""

    head: Head
    ahead: Ahead


def bench(desk: AtDesk, visit_id: str, problem_id: str) -> BenchPage:
    """The bench page at once; what comes next may follow a moment later."""
    state = desk.visit(visit_id)
    return bench_page(desk, state, desk.problem(state, problem_id), now_utc())


def whole_bench(desk: AtDesk, visit_id: str, problem_id: str) -> BenchPage:
    """The bench page with what comes next."""
    state = desk.visit(visit_id)
    return bench_page(desk, state, desk.problem(state, problem_id), now_utc(), wait=True)


def ahead(desk: AtDesk, visit_id: str, problem_id: str) -> AheadPage:
    """What comes next."""
    state = desk.visit(visit_id)
    problem = desk.problem(state, problem_id)
    now = now_utc()
    found = ahead_of(desk, state, problem, now, wait=True)
    if found is None:
        raise Refused(409, chances_withheld(problem, now.date()) or "There are no chances for this person.")
    return AheadPage(head(desk, state, problem, "bench", now), found)


def finding(desk: AtDesk, visit_id: str, problem_id: str, observable: str) -> FindingPage:
    """One finding: how it is done, what was seen, what it is worth."""
    state = desk.visit(visit_id)
    return finding_page(desk, state, desk.problem(state, problem_id), observable, now_utc())


def condition(desk: AtDesk, visit_id: str, problem_id: str, condition: str) -> ConditionPage:
    """One condition: where its chance comes from, and what each finding moved."""
    state = desk.visit(visit_id)
    return condition_page(desk, state, desk.problem(state, problem_id), condition, now_utc())


def worse(desk: AtDesk, visit_id: str, problem_id: str, observable: str = "") -> WorsePage:
    """The form for a test that raised the symptoms."""
    state = desk.visit(visit_id)
    problem = desk.problem(state, problem_id)
    name = desk.name(problem.region, observable) if observable else ""
    base = f"/visits/{visit_id}/{problem_id}"
    return WorsePage(head(desk, state, problem, "bench", now_utc()), observable, name, f"{base}/worse", f"{base}/bench")


def found(desk: AtDesk, visit_id: str, problem_id: str, q: str = "") -> FoundPage:
    """Findings by a few letters."""
    state = desk.visit(visit_id)
    query = q.strip()[:100]
    return FoundPage(query, find(desk, state, desk.problem(state, problem_id), query))


_AT = "/visits/{visit_id}/{problem_id}"
pages(router, _AT + "/bench", "bench.html", bench, whole=whole_bench)
pages(router, _AT + "/ahead", "ahead.html", ahead, part="ahead_only.html")
pages(router, _AT + "/findings/{observable}", "finding.html", finding, part="finding_part.html")
pages(router, _AT + "/conditions/{condition}", "condition.html", condition, part="condition_part.html")
pages(router, _AT + "/worse", "worse.html", worse, part="worse_part.html")
pages(router, _AT + "/find", "found.html", found, part="found_part.html")


@router.post(_AT + "/record")
def record(request: Request, desk: AtDesk, visit_id: str, problem_id: str, form: Form) -> Response:
    """Record a finding; with ``seq`` it takes the place of what was recorded under that number."""

    def made(state: VisitState) -> Event:
        event = recorded_event(desk, desk.problem(state, problem_id), form)
        return _placed(desk, visit_id, event, form)

    return _bench(request, desk, desk.keep(visit_id, form, made), problem_id, form)


@router.post(_AT + "/answer")
def history(request: Request, desk: AtDesk, visit_id: str, problem_id: str, form: Form) -> Response:
    """Record the answer to a history item."""

    def made(state: VisitState) -> Event:
        return _placed(desk, visit_id, answered(desk, desk.problem(state, problem_id), form), form)

    return _bench(request, desk, desk.keep(visit_id, form, made), problem_id, form)


@router.post(_AT + "/undo")
def undo(request: Request, desk: AtDesk, visit_id: str, problem_id: str, form: Form) -> Response:
    """Take a recording back; the old event stays in the record."""
    seq = form.whole("seq", "The entry's number", 1, 10_000_000)
    if seq is None:
        raise Refused(400, "The number of the entry to take back is missing; load the page again and repeat it.")
    _of_problem(desk, visit_id, problem_id, seq)
    event = Corrected(of=seq, replacement=None, reason=form.text("reason"))
    return _bench(request, desk, desk.keep(visit_id, form, lambda _: event), problem_id, form)


@router.post(_AT + "/conditions/{condition}/chance")
def chance(request: Request, desk: AtDesk, visit_id: str, problem_id: str, condition: str, form: Form) -> Response:
    """Set a starting chance by hand, or give it back to the studies."""
    state = desk.keep(
        visit_id, form, lambda s: chance_set(desk, desk.problem(s, problem_id), condition, form, now_utc())
    )
    return _bench(request, desk, state, problem_id, form)


@router.post(_AT + "/worse")
def rose(request: Request, desk: AtDesk, visit_id: str, problem_id: str, form: Form) -> Response:
    """A test raised the symptoms."""
    state = desk.keep(visit_id, form, lambda s: made_worse(desk.problem(s, problem_id), form))
    return _bench(request, desk, state, problem_id, form)


@router.post(_AT + "/criterion")
def criterion(desk: AtDesk, visit_id: str, problem_id: str, form: Form) -> Response:
    """What the criterion makes of what was seen so far; nothing is stored."""
    problem = desk.problem(desk.visit(visit_id), problem_id)
    observable = form.needed("observable", "The finding")
    entry = desk.catalogue.region(problem.region).findings.get(observable.partition(":")[0])
    if entry is None or not hasattr(entry, "observe"):
        raise Refused(404, f"There is no hands-on finding “{observable[:60]}” in this region.")
    said = criterion_words(desk, problem, observable, observed(entry, form))  # type: ignore[arg-type]
    return HTMLResponse(templates.from_string("{{ said }}").render(said=said))


def _placed(desk: Desk, visit_id: str, event: FindingRecorded, form: Sent) -> Event:
    """The event itself, or a correction that puts it in the place of an earlier one."""
    seq = form.whole("seq", "The entry's number", 1, 10_000_000)
    if seq is None:
        return event
    _of_problem(desk, visit_id, event.problem_id, seq)
    return Corrected(of=seq, replacement=event, reason=form.text("reason"))


def _of_problem(desk: Desk, visit_id: str, problem_id: str, seq: int) -> None:
    """Refused where the entry is no recording of this problem."""
    desk.stored(visit_id, seq)
    root = root_of(desk.store.events(visit_id), seq).event
    if getattr(root, "problem_id", None) != problem_id:
        raise Refused(409, f"Entry {seq} does not belong to this problem; the page shows what does.")


def _bench(request: Request, desk: Desk, state: VisitState, problem_id: str, form: Sent) -> Response:
    back = f"/visits/{state.visit_id}/{problem_id}/bench"
    if not form.swap:
        return RedirectResponse(back, status_code=303)
    view = bench_page(desk, state, desk.problem(state, problem_id), now_utc())
    return answer(request, form, "bench_swap.html", view, back)
