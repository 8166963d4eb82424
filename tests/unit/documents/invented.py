"""Invented visits for the tests of documents: a knee twisted in a handball match, and its return."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable

from endfeel.documents.figures import (
    AdviceFigure,
    ChanceFigure,
    MoveFigure,
    ProblemFigures,
    RouteFigure,
    SkippedFigure,
)
from endfeel.visits.events import (
    Activity,
    AdviceGiven,
    BaseRecorded,
    CardCleared,
    ConsentGiven,
    ContextSet,
    Corrected,
    Decided,
    Event,
    FindingRecorded,
    MadeWorse,
    Mark,
    ProblemAdded,
    Provoker,
    StoredEvent,
    StoryTold,
    VisitOpened,
    WhereMarked,
)
from endfeel.visits.state import VisitState, replay

DAY = dt.datetime(2026, 3, 4, 9, 0, tzinfo=dt.UTC)
P = "p1"
EDITION = "a1b2c3d4"

OPENED = VisitOpened(
    patient_code="HB-11", birth_year=1999, sex="female", initials="K. L.", edition=EDITION, software="endfeel 0.1.0"
)
ADDED = ProblemAdded(problem_id=P, region="knee", side="right")
STORY = StoryTold(
    problem_id=P,
    onset="injury",
    onset_date=dt.date(2026, 3, 1),
    how="Turned on a planted foot; the knee let go.",
    could_go_on="no",
    provokers=(Provoker(what="stairs down", minutes_to_settle=20), Provoker(what="turning in bed")),
    work="Nurse, on her feet",
    activities=(Activity(name="Walking to the tram", score=5), Activity(name="Stairs", score=3)),
)
CONTEXT = ContextSet(
    problem_id=P,
    age=26,
    precautions={"recent-surgery": "no", "hypermobility": "yes"},
    how_little="some",
    how_bad="moderate",
    how_long="an-hour",
)
LACHMAN = FindingRecorded(
    problem_id=P,
    observable="lachman",
    side="right",
    result="positive",
    observations={"travel": "clearly more", "stop": "soft", "relaxed": "yes"},
    pain=3,
    confidence=4,
    blind_to=("imaging",),
)
EXAMINED: tuple[Event, ...] = (
    ConsentGiven(scope="visit", chaperone="offered-declined"),
    WhereMarked(marks=(Mark(view="front", x=0.4, y=0.7, worst=True), Mark(view="back", x=0.4, y=0.7, kind="tingling"))),
    STORY,
    CONTEXT,
    FindingRecorded(problem_id=P, observable="popping-sensation", result="positive", observations={"answer": "yes"}),
    BaseRecorded(
        problem_id=P, item_id="active-flexion", side="right", state="something-found", value=95, unit="degrees",
        painful=True,
    ),
    BaseRecorded(problem_id=P, item_id="resisted-extension", side="right", state="something-found", value=4, weak=True),
    BaseRecorded(problem_id=P, item_id="hip-clear", state="nothing-found"),
    CardCleared(problem_id=P, card="Standing and walking", items=("stance", "one-leg-stand")),
    FindingRecorded(problem_id=P, observable="lachman", side="right", result="negative"),
    FindingRecorded(
        problem_id=P, observable="anterior-drawer", side="right", result="negative", pain=4, guarding=True
    ),
    FindingRecorded(problem_id=P, observable="mcmurray:medial", side="right", result="negative", own_pain=False),
    FindingRecorded(
        problem_id=P, observable="pivot-shift", side="right", result="not-done", not_done_because="would not let go"
    ),
    FindingRecorded(
        problem_id=P, observable="joint-line-tenderness", side="right", result="positive", pain=5, own_pain=True
    ),
    Corrected(of=12, replacement=LACHMAN, reason="tapped the wrong one of the pair"),
    MadeWorse(problem_id=P, finding_id="anterior-drawer", before=3, after=5, settled_in_minutes=3),
    Decided(
        problem_id=P,
        action="start-care",
        care_group="knee-cruciate",
        review_on=dt.date(2026, 3, 11),
        words="Settle it; repeat the laxity tests on day 10.",
    ),
    AdviceGiven(
        problem_id=P,
        advice="Weight as the knee allows.\nNo turning, no match.",
        come_back_if="the calf swells; the foot goes numb; the knee sticks",
    ),
)  # fmt: skip
KNEE: tuple[Event, ...] = (OPENED, ADDED, *EXAMINED)

FIGURES = ProblemFigures(
    chances=(
        ChanceFigure("acl-tear", 0.62, 0.33, 0.83, 0.15, 0.06, 0.31, "our stated assumption", True),
        ChanceFigure("meniscal-tear", 0.31, 0.12, 0.52, 0.3, 0.15, 0.5, "pooled from 2 lines of primary care"),
        ChanceFigure("pcl-tear", 0.012, 0.003, 0.03, 0.03, 0.01, 0.08, "", True),
        ChanceFigure("no-specific-structure-knee", 0.09, 0.03, 0.2, 0.3, 0.2, 0.4, "", True),
    ),
    moves=(
        MoveFigure("lachman", "positive", "acl-tear", 1.9, 0.8, 2.9),
        MoveFigure("mcmurray:medial", "negative", "meniscal-tear", -0.4, -0.9, -0.1),
    ),
    skipped=(
        SkippedFigure("thessaly-20", "would-not-change", "would not change what you do"),
        SkippedFigure("lever-sign", "withheld", "what may be brought on in one visit is spent"),
    ),
    advice=(AdviceFigure("knee-cruciate", "start-care", 0.62, "acl-tear"),),
    route=(RouteFigure("supine", ("lachman", "pivot-shift", "mcmurray:medial")),),
    remarks=("Lachman test and anterior drawer load the same structure",),
    edition=EDITION,
)


def stored(
    events: Iterable[Event], visit_id: str = "v-1", at: dt.datetime = DAY, actor: str = "A. Clinician"
) -> list[StoredEvent]:
    """Events as the store would hand them back, half a minute apart."""
    return [
        StoredEvent(
            seq=i,
            visit_id=visit_id,
            at=at + dt.timedelta(seconds=30 * i),
            actor=actor,
            client_id=f"{visit_id}-{i}",
            event=event,
        )
        for i, event in enumerate(events, 1)
    ]


def knee(*more: Event, without: tuple[type, ...] = ()) -> VisitState:
    """The knee visit, with further events at its end and without those of some kinds."""
    return replay(stored([*(e for e in KNEE if not isinstance(e, without)), *more]))


def bare(*more: Event) -> VisitState:
    """A visit with a problem of which nothing is known but what is given."""
    return replay(stored([OPENED, ADDED, *more]))
