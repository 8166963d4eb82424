"""Safety: the screens of the region, the person's precautions, the agreement to be examined. No chances here.

Public: SafetyPage, safety_page, screen_part, precautions_told, consented.
"""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import dataclass

from endfeel.catalogue.screens import Screen
from endfeel.visits import safety
from endfeel.visits.events import ConsentGiven, ConsentWithdrawn, ContextSet
from endfeel.visits.problem import ProblemState
from endfeel.visits.state import VisitState
from endfeel.web import words
from endfeel.web.desk import Desk
from endfeel.web.forms import Sent
from endfeel.web.refused import Refused
from endfeel.web.safety_summary import SENDS, recorded_words
from endfeel.web.visit_head import Head, head

_CONSENTS = {
    "visit-given": ("visit", "Agrees to be examined"),
    "visit-chaperone": ("visit", "Agrees, chaperone present"),
    "provoking-given": ("provoking", "Agrees to tests that may hurt"),
    "intimate-chaperone": ("intimate", "Agrees to intimate tests, chaperone present"),
    "intimate-declined": ("intimate", "Agrees to intimate tests, chaperone offered and declined"),
    "visit-withdrawn": ("visit", "Takes agreement back"),
    "provoking-withdrawn": ("provoking", "No tests that may hurt"),
}


@dataclass(frozen=True)
class ScreenItemLine:
    """One question or sign; answer None: not asked. ask_again: what was recorded since, and has it asked again.

    changed: what was answered before, where that was something else.
    """

    id: str
    text: str
    why: str
    answer: str | None
    raised_by: str
    ask_again: str
    changed: str


@dataclass(frozen=True)
class ScreenCard:
    """One screen as it stands."""

    id: str
    name: str
    state: str
    words: str
    first: str
    before: str
    items: tuple[ScreenItemLine, ...]
    open_items: int
    clinician: str
    patient: str
    outside: tuple[str, ...]
    sources: tuple[dict[str, str], ...]
    review: str


@dataclass(frozen=True)
class PrecautionLine:
    """One thing about the person; answer None: not asked."""

    id: str
    name: str
    answer: str | None


@dataclass(frozen=True)
class OverrideLine:
    """Going on in spite of a screen, and why."""

    about: str
    reason: str


@dataclass(frozen=True)
class ConsentChoice:
    """One thing to tap about agreement."""

    value: str
    words: str


@dataclass(frozen=True)
class SafetyPage:
    """The page “Safety”; ``screen`` is set where one screen is renewed by itself."""

    head: Head
    post: str
    rest: str
    person: str
    consent: str
    override: str
    onward: str
    client_id: str
    under_16: bool
    screens: tuple[ScreenCard, ...]
    screen: ScreenCard | None
    can_override: bool
    overrides: tuple[OverrideLine, ...]
    asked_elsewhere: tuple[str, ...]
    precautions: tuple[PrecautionLine, ...]
    precautions_open: int
    person_words: str
    consent_words: str
    consents: tuple[ConsentChoice, ...]


def safety_page(
    desk: Desk, state: VisitState, problem: ProblemState, now: dt.datetime, only: str | None = None
) -> SafetyPage:
    """The page; ``only`` names the one screen that is renewed by itself."""
    base = f"/visits/{state.visit_id}/{problem.problem_id}"
    views = desk.screens(state, problem, now)
    cards = tuple(_card(desk, problem, v) for v in views)
    told = problem.context.precautions or {}
    asked = [p for p in desk.catalogue.precautions.values() if p.asked]
    lines = tuple(PrecautionLine(p.id, p.name, told.get(p.id)) for p in asked)
    yes, left = sum(line.answer == "yes" for line in lines), sum(line.answer is None for line in lines)
    if left == len(lines):
        person = "not asked"
    else:
        person = f"{yes or 'none'} so" + (f", {left} not asked" if left else ", all asked")
    return SafetyPage(
        head=head(desk, state, problem, "safety", now),
        post=f"{base}/safety",
        rest=f"{base}/safety/rest",
        person=f"{base}/person",
        consent=f"{base}/consent",
        override=f"{base}/safety/override",
        onward=f"{base}/neighbours",
        client_id=str(uuid.uuid4()),
        under_16=safety.chances_withheld(problem, now.date()) is not None,
        screens=cards,
        screen=next((c for c in cards if c.id == only), None),
        can_override=safety.screens_open(problem, desk.catalogue, now),
        overrides=tuple(OverrideLine(_about(desk, o.screen_id), o.reason) for o in problem.overrides),
        asked_elsewhere=_elsewhere(desk, problem),
        precautions=lines,
        precautions_open=left,
        person_words=person,
        consent_words=_consent_words(state),
        consents=tuple(
            ConsentChoice(value, said)
            for value, (scope, said) in _CONSENTS.items()
            if value.endswith("withdrawn") == (scope in state.consents)
            or (scope != "visit" and scope not in state.consents)
        ),
    )


def screen_part(desk: Desk, problem: ProblemState, screen_id: str) -> Screen:
    """A screen of the problem's region; Refused(404) where there is none of that id."""
    screen = desk.catalogue.screens.get(screen_id)
    if screen is None or problem.region not in screen.regions:
        raise Refused(404, f"There is no safety screen “{screen_id[:60]}” for this region.")
    return screen


def precautions_told(desk: Desk, problem: ProblemState, sent: Sent) -> ContextSet | None:
    """What is new about the person; None where nothing is."""
    asked = {p.id for p in desk.catalogue.precautions.values() if p.asked}
    told = problem.context.precautions or {}
    if sent.text("rest") == "no":
        new = {name: "no" for name in sorted(asked) if name not in told}
    else:
        yes = set(sent.every("yes"))
        if yes - asked:
            raise Refused(400, f"There is no precaution “{min(yes - asked)[:60]}”.")
        new = {name: "yes" for name in sorted(yes) if told.get(name) != "yes"}
        new |= {name: "no" for name in sorted(asked - yes) if told.get(name) == "yes"}
    return ContextSet(problem_id=problem.problem_id, precautions=new) if new else None  # type: ignore[arg-type]


def consented(sent: Sent) -> ConsentGiven | ConsentWithdrawn:
    """Agreement given or taken back."""
    choice = sent.choice("consent", "The agreement", tuple(_CONSENTS))
    if choice is None:
        raise Refused(400, "Nothing was chosen about agreement; tap one of the lines.")
    scope = _CONSENTS[choice][0]
    if choice.endswith("withdrawn"):
        return ConsentWithdrawn(scope=scope)  # type: ignore[arg-type]
    chaperone = {"chaperone": "present", "declined": "offered-declined"}.get(choice.split("-")[1], "not-offered")
    return ConsentGiven(scope=scope, chaperone=chaperone)  # type: ignore[arg-type]


def _card(desk: Desk, problem: ProblemState, view: safety.ScreenView) -> ScreenCard:
    screen = view.screen
    said = (
        view.words
        if view.state != "partly-asked"
        else f"{len(view.items) - len(view.to_ask)} of {len(view.items)} asked"
    )
    if view.state == "flag":
        said = SENDS[view.sends_for].lower() if view.override is None else "raised, gone on for a reason"
    elif view.one_way and view.state == "asked-none-found":
        said = "asked, cannot be cleared in this person"
    first = "Loading tests wait for this screen." if screen.withholds_until_done and view.withholds else ""
    return ScreenCard(
        id=screen.id,
        name=screen.name,
        state=view.state,
        words=said,
        first=" ".join(words for words in (view.kept, first) if words),
        before=_before(desk, problem, view),
        items=tuple(
            ScreenItemLine(
                i.item.id,
                i.item.ask or i.item.look,
                i.item.why,
                i.answer,
                recorded_words(desk, problem, i.raised_by),
                recorded_words(desk, problem, i.ask_again) if not i.raised_by else "",
                _changed(problem, screen.id, i.item.id),
            )
            for i in view.items
        ),
        open_items=len(view.to_ask),
        clinician=screen.clinician,
        patient=screen.patient,
        outside=(*view.one_way, *view.reminders),
        sources=tuple({"citation": s.citation, "url": s.url} for s in screen.sources),
        review=screen.review.status,
    )


def _changed(problem: ProblemState, screen_id: str, item_id: str) -> str:
    what = f"screen: {screen_id}: {item_id}"
    earlier = [c.earlier for c in problem.contradictions if c.what == what]
    return ", then ".join(earlier)


def _before(desk: Desk, problem: ProblemState, view: safety.ScreenView) -> str:
    return "; ".join(
        f"{desk.name(problem.region, r.observable)}{f', {r.side}' if r.side in ('left', 'right') else ''}: {r.result}"
        for r in safety.recorded_before(view, problem, desk.catalogue)
    )


def _about(desk: Desk, screen_id: str | None) -> str:
    screen = desk.catalogue.screens.get(screen_id or "")
    return f"“{screen.name}”" if screen else "screens that were not complete"


def _elsewhere(desk: Desk, problem: ProblemState) -> tuple[str, ...]:
    by_screen: dict[str, int] = {}
    for answered in problem.asked_elsewhere:
        by_screen[answered.screen_id] = by_screen.get(answered.screen_id, 0) + 1
    said = [
        f"{_about(desk, screen)}: {words.plural(n, 'answer')} given for the other side do not count on this one."
        for screen, n in by_screen.items()
    ]
    return (*_moved(desk, problem), *said)


def _moved(desk: Desk, problem: ProblemState) -> tuple[str, ...]:
    """The last move to another side, and what stays recorded where it was done."""
    if not problem.moved or problem.moved[-1].recordings_moved:
        return ()
    last = problem.moved[-1]
    kept = [desk.name(problem.region, r.observable) for r in problem.findings.values() if r.side == last.before]
    base = sum(side == last.before for _, side in problem.base)
    said = "; ".join([*kept, *([words.plural(base, "item") + " of the base examination"] if base else [])])
    what = f"what was recorded on the {last.before} stays there: {said}" if said else "nothing was recorded there"
    return (f"Moved from {last.before} to {last.after} ({last.reason}); {what}.",)


def _consent_words(state: VisitState) -> str:
    if "visit" in state.withdrawn_scopes:
        return "taken back"
    said = []
    for scope, label in (
        ("visit", "to be examined"),
        ("provoking", "to tests that may hurt"),
        ("intimate", "to intimate tests"),
    ):
        consent = state.consents.get(scope)
        if consent is not None:
            extra = {"present": ", chaperone present", "offered-declined": ", chaperone declined"}.get(
                consent.event.chaperone, ""
            )
            said.append(label + extra)
        elif scope in state.withdrawn_scopes:
            said.append(f"not {label}")
    return "; ".join(said) or "not asked"
