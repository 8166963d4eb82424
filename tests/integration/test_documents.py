"""One visit from the store to paper and to another system: real events, real evidence, real beliefs."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import pytest

from endfeel.belief import Belief, RegionModel, believe, compile_region
from endfeel.belief.explain import explain
from endfeel.catalogue import load_catalogue
from endfeel.documents.comparison import comparison, comparison_text
from endfeel.documents.fhir import bundle_json, bundle_of, events_of
from endfeel.documents.figures import ProblemFigures, figures_of
from endfeel.documents.handout import handout
from endfeel.documents.letter import letter, letter_text
from endfeel.documents.note import note, note_text
from endfeel.documents.pdf import House, comparison_pdf, handout_pdf, letter_pdf, note_pdf, plan_card_pdf
from endfeel.documents.plan_card import plan_card_of
from endfeel.documents.wording import chance_line
from endfeel.evidence import load_evidence
from endfeel.planning.costs import default_costs
from endfeel.planning.plan import Plan, plan
from endfeel.pooling.edition import load_edition
from endfeel.storage import Store
from endfeel.visits.events import (
    AdviceGiven,
    BaseRecorded,
    Closed,
    ContextSet,
    Corrected,
    Decided,
    Event,
    FindingRecorded,
    ProblemAdded,
    ScreenAnswered,
    StoryTold,
    VisitOpened,
)
from endfeel.visits.situation import context_of, situation_of
from endfeel.visits.state import VisitState, replay

CATALOGUE, EVIDENCE = load_catalogue(), load_evidence()
DAY = dt.datetime(2026, 3, 4, 9, 0, tzinfo=dt.UTC)
P = "p1"
SCREENED = tuple(
    ScreenAnswered(problem_id=P, screen_id=screen.id, item_id=item.id, answer="no")
    for screen in CATALOGUE.screens.values()
    if "knee" in screen.regions
    for item in screen.item
)
FIRST: tuple[Event, ...] = (
    VisitOpened(patient_code="HB-11", birth_year=1999, sex="female", edition=load_edition().id, software="endfeel"),
    ProblemAdded(problem_id=P, region="knee", side="right"),
    StoryTold(problem_id=P, onset="injury", onset_date=dt.date(2026, 2, 20), how="twist in a handball match"),
    ContextSet(problem_id=P, age=26, minutes=20),
    *SCREENED,
    BaseRecorded(
        problem_id=P, item_id="active-flexion", side="right", state="something-found", value=95, unit="degrees"
    ),
    FindingRecorded(
        problem_id=P, observable="pivot-shift", side="right", result="not-done", not_done_because="guarded"
    ),
    FindingRecorded(problem_id=P, observable="lachman", side="right", result="negative"),
)


def kept(store: Store, events: tuple[Event, ...], at: dt.datetime = DAY) -> VisitState:
    """A visit stored event by event and read back."""
    visit_id = store.new_visit_id()
    for i, event in enumerate(events):
        store.append(visit_id, event, "A. Clinician", f"{visit_id}-{i}", at + dt.timedelta(seconds=20 * i))
    return replay(store.events(visit_id))


def worked_out(state: VisitState) -> tuple[ProblemFigures, RegionModel, Belief, Plan]:
    """Figures as the page works them out."""
    problem, edition = state.problems[P], load_edition()
    model = compile_region(EVIDENCE, edition, CATALOGUE, context_of(problem))
    belief = believe(model, problem.results())
    situation = situation_of(problem, CATALOGUE, state.last_at, EVIDENCE)
    planned = plan(
        EVIDENCE, model, belief, CATALOGUE, default_costs(CATALOGUE.region("knee"), CATALOGUE.modalities), situation
    )
    return figures_of(model, belief, explain(model, belief), plan=planned, edition=edition.id), model, belief, planned


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(f"sqlite:///{tmp_path / 'endfeel.sqlite'}") as opened:
        yield opened


def test_a_visit_from_the_store_to_every_document(store: Store) -> None:
    slip = next(i for i, e in enumerate(FIRST, 1) if isinstance(e, FindingRecorded) and e.observable == "lachman")
    state = kept(
        store,
        (
            *FIRST,
            Corrected(
                of=slip,
                replacement=FindingRecorded(
                    problem_id=P, observable="lachman", side="right", result="positive", pain=3
                ),
                reason="tapped the wrong one",
            ),
            Decided(problem_id=P, action="look-further", care_group="knee-cruciate", modality="mri"),
            AdviceGiven(problem_id=P, advice="no turning", come_back_if="the foot goes numb"),
            Closed(),
        ),
    )
    figures, _, belief, planned = worked_out(state)
    text = note_text(note(state, CATALOGUE, {P: figures}))

    now = belief.chances["acl-tear"]
    assert f"Anterior cruciate ligament tear: {chance_line(now.mean, now.low, now.high)}" in text
    assert figures.chance_of("acl-tear") is not None
    assert "Lachman test: positive; Anterior cruciate ligament tear: odds times" in text
    assert "result: negative" in text
    assert "Pivot shift test, right: not done; guarded" in text
    assert "asked, none found" in text
    assert load_edition().id in text
    for withheld in planned.withheld[:3]:
        assert withheld.because[1:] in text
    assert text == note_text(note(replay(store.events(state.visit_id)), CATALOGUE, {P: figures}))

    house = House("Harbour Street Physiotherapy", ("12 Harbour Street",))
    made = letter(state, CATALOGUE, P, figures)
    assert "Please look further. Asked for: MRI scan." in letter_text(made)
    for pdf in (
        note_pdf(note(state, CATALOGUE, {P: figures}), house),
        letter_pdf(made, house),
        handout_pdf(handout(state, CATALOGUE, P, figures), house),
        plan_card_pdf(plan_card_of(state, CATALOGUE, P, figures), house),
    ):
        assert pdf.startswith(b"%PDF")
        assert len(pdf) > 10_000

    sent = bundle_json(bundle_of(state, CATALOGUE, {P: figures}, with_pdf=True))
    assert events_of(sent) == tuple(store.events(state.visit_id))


def test_an_imported_visit_can_be_stored_again_and_says_the_same(store: Store, tmp_path: Path) -> None:
    state = kept(store, FIRST)
    events = events_of(bundle_json(bundle_of(state, CATALOGUE)))
    with Store(f"sqlite:///{tmp_path / 'other.sqlite'}") as other:
        for stored in events:
            other.append(stored.visit_id, stored.event, stored.actor, stored.client_id, stored.at)
        assert tuple(other.events(state.visit_id)) == events
        assert note_text(note(replay(other.events(state.visit_id)), CATALOGUE)) == note_text(note(state, CATALOGUE))


def test_a_return_visit_beside_the_first(store: Store) -> None:
    first = kept(store, FIRST)
    again: tuple[Event, ...] = (
        VisitOpened(patient_code="HB-11", previous_visit_id=first.visit_id),
        ProblemAdded(problem_id=P, region="knee", side="right"),
        BaseRecorded(
            problem_id=P, item_id="active-flexion", side="right", state="something-found", value=99, unit="degrees"
        ),
        FindingRecorded(problem_id=P, observable="lachman", side="right", result="positive"),
    )
    made = comparison(first, kept(store, again, DAY + dt.timedelta(days=7)), CATALOGUE, P)
    assert "Active bending, right: 95 degrees, now 99 degrees; +4 degrees: within measurement error" in comparison_text(
        made
    )
    assert "Lachman test, right: negative, now positive" in comparison_text(made)
    assert comparison_pdf(made).startswith(b"%PDF")
