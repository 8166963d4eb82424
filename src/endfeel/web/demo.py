"""Invented visits to try Endfeel on: a knee twisted at handball, under way, and two earlier visits. Nobody is meant.

Public: fill.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable

from endfeel.catalogue import Catalogue
from endfeel.storage import Store
from endfeel.visits.events import (
    Activity,
    AdviceGiven,
    BaseRecorded,
    CardCleared,
    Closed,
    ConsentGiven,
    ContextSet,
    Decided,
    Event,
    FindingRecorded,
    Mark,
    MeasureRecorded,
    ProblemAdded,
    Provoker,
    ScreenAnswered,
    Side,
    StoryTold,
    TreatmentRecorded,
    VisitOpened,
    WhereMarked,
)
from endfeel.visits.safety import screen_views
from endfeel.visits.state import replay

ACTOR = "Demo clinician"
_P = "p1"


def fill(store: Store, catalogue: Catalogue, edition: str, software: str, now: dt.datetime) -> str | None:
    """Put the three visits into an empty store; the id of the one under way, or None where visits are there already."""
    if store.count():
        return None
    filler = _Filler(store, catalogue, edition, software)
    earlier = filler.front_of_knee_pain(now - dt.timedelta(days=430))
    filler.shoulder_at_58(now - dt.timedelta(days=35))
    return filler.handball_knee(now, earlier)


class _Filler:
    def __init__(self, store: Store, catalogue: Catalogue, edition: str, software: str) -> None:
        self.store, self.catalogue, self.edition, self.software = store, catalogue, edition, software

    def handball_knee(self, now: dt.datetime, earlier: str) -> str:
        """Day 3 after a twist: safety asked, base examination done, ready for the first test."""
        injured = now.date() - dt.timedelta(days=3)
        start = now - dt.timedelta(minutes=9)
        visit = self._open(
            VisitOpened(
                patient_code="K-1042", birth_year=now.year - 24, sex="female", setting="primary",
                previous_visit_id=earlier, edition=self.edition, software=self.software,
            ),
            start,
        )  # fmt: skip
        self._say(
            visit,
            start,
            [
                ProblemAdded(problem_id=_P, region="knee", side="right"),
                ConsentGiven(scope="visit", chaperone="offered-declined"),
                WhereMarked(marks=(Mark(view="front", x=0.44, y=0.74, kind="pain", worst=True),)),
                StoryTold(
                    problem_id=_P, onset="injury", onset_date=injured,
                    how="Landed from a jump shot at handball and the knee turned inwards; nobody touched her.",
                    could_go_on="no", pattern_24h="Stiff in the morning, throbs in the evening",
                    provokers=(
                        Provoker(what="Turning on the leg", minutes_to_settle=10),
                        Provoker(what="Stairs down", minutes_to_settle=5),
                    ),
                    eases="Leg up, cold pack", earlier="Pain at the front of the same knee last year, settled",
                    treatment_so_far="Crutches for a day", work="Nursery teacher, on the floor a lot",
                    sleep="Wakes when she turns", worry="That the season is over",
                    expectation="To know whether she needs a scan",
                    activities=(
                        Activity(name="Walk to work", score=4),
                        Activity(name="Kneel with the children", score=1),
                        Activity(name="Handball", score=0),
                    ),
                ),
                ContextSet(
                    problem_id=_P, how_little="some", how_bad="moderate", how_long="minutes",
                    precautions={"osteoporosis": "no", "anticoagulant": "no", "pregnancy": "no"},
                ),
            ],
        )  # fmt: skip
        self._clear_screens(visit, start + dt.timedelta(minutes=2))
        base = start + dt.timedelta(minutes=4)
        self._say(visit, base, [BaseRecorded(problem_id=_P, item_id=i, state="nothing-found") for i in _NEIGHBOURS])
        self._say(
            visit,
            base,
            [
                BaseRecorded(
                    problem_id=_P, item_id="gait", side="right", state="something-found", text="Short step on the right"
                ),
                CardCleared(problem_id=_P, card="standing", items=self._items("knee", "standing", ("gait",))),
                BaseRecorded(
                    problem_id=_P, item_id="knee-surface", side="right", state="something-found",
                    text="Hollows beside the kneecap filled",
                ),
                BaseRecorded(problem_id=_P, item_id="lifts-straight-leg", side="right", state="nothing-found"),
                BaseRecorded(problem_id=_P, item_id="foot-pulses", side="right", state="nothing-found"),
                BaseRecorded(
                    problem_id=_P, item_id="active-flexion", side="left", state="nothing-found", value=142,
                    unit="degrees",
                ),
                BaseRecorded(
                    problem_id=_P, item_id="active-flexion", side="right", state="something-found", value=108,
                    unit="degrees", painful=True,
                ),
            ],
        )  # fmt: skip
        self._say(
            visit,
            start + dt.timedelta(minutes=7),
            [
                *(self._asked(o, r) for o, r in (
                    ("popping-sensation", "positive"), ("pivoting-mechanism", "positive"),
                    ("immediate-swelling", "positive"), ("external-force-mechanism", "negative"),
                    ("locking-or-catching", "negative"), ("giving-way", "unclear"),
                )),
                ContextSet(problem_id=_P, minutes=14),
            ],
        )  # fmt: skip
        return visit

    def front_of_knee_pain(self, at: dt.datetime) -> str:
        """The same patient's earlier visit, finished."""
        visit = self._open(
            VisitOpened(
                patient_code="K-1042", birth_year=at.year - 23, sex="female", setting="primary",
                edition=self.edition, software=self.software,
            ),
            at,
        )  # fmt: skip
        self._say(
            visit,
            at,
            [
                ProblemAdded(problem_id=_P, region="knee", side="right"),
                ConsentGiven(scope="visit", chaperone="offered-declined"),
                StoryTold(
                    problem_id=_P, onset="gradual", how="Came on over six weeks of hill running", could_go_on="yes",
                    provokers=(Provoker(what="Stairs down", minutes_to_settle=15),), sleep="Undisturbed",
                    activities=(Activity(name="Run 30 minutes", score=3), Activity(name="Sit through a film", score=5)),
                ),
                ContextSet(problem_id=_P, how_little="some", how_bad="mild", how_long="minutes"),
            ],
        )  # fmt: skip
        self._clear_screens(visit, at)
        self._say(
            visit,
            at + dt.timedelta(minutes=6),
            [
                self._asked("prolonged-sitting-pain", "positive"),
                self._found("squat-pain", "positive", side="right", pain=4, own_pain=True),
                self._found("patellar-palpation-pain", "positive", side="right"),
                self._found("ballottement", "negative", side="right"),
                MeasureRecorded(problem_id=_P, measure="active-flexion", side="right", value=140, unit="degrees"),
                Decided(
                    problem_id=_P, action="start-care", care_group="knee-graded-loading",
                    review_on=at.date() + dt.timedelta(days=42), words="Graded loading, step-downs, less hill for now",
                ),
                AdviceGiven(
                    problem_id=_P, advice="Keep moving; pain up to 3 of 10 that settles by next morning is acceptable.",
                    come_back_if="The knee swells, locks or gives way.",
                ),
                Closed(),
            ],
        )  # fmt: skip
        return visit

    def shoulder_at_58(self, at: dt.datetime) -> str:
        """A painful shoulder, cared for; the day to look again has come."""
        visit = self._open(
            VisitOpened(
                patient_code="S-0077", birth_year=at.year - 58, sex="male", setting="primary",
                edition=self.edition, software=self.software,
            ),
            at,
        )  # fmt: skip
        self._say(
            visit,
            at,
            [
                ProblemAdded(problem_id=_P, region="shoulder", side="left"),
                ConsentGiven(scope="visit", chaperone="offered-declined"),
                StoryTold(
                    problem_id=_P, onset="gradual", how="Four months, after painting the ceilings",
                    provokers=(Provoker(what="Reaching to a shelf", minutes_to_settle=20),),
                    sleep="Can not lie on that side", worry="A torn tendon",
                    activities=(Activity(name="Reach a high shelf", score=3), Activity(name="Put on a coat", score=4)),
                ),
                ContextSet(
                    problem_id=_P, how_little="some", how_bad="moderate", how_long="an-hour",
                    precautions={"diabetes": "yes"},
                ),
            ],
        )  # fmt: skip
        self._clear_screens(visit, at)
        self._say(
            visit,
            at + dt.timedelta(minutes=6),
            [
                BaseRecorded(
                    problem_id=_P, item_id="active-elevation", side="left", state="something-found", value=128,
                    unit="degrees", painful=True,
                ),
                BaseRecorded(
                    problem_id=_P, item_id="passive-external-rotation", side="left", state="nothing-found", value=58,
                    unit="degrees",
                ),
                self._asked("night-pain", "positive"),
                self._found("painful-arc", "positive", side="left", pain=5, own_pain=True),
                self._found("hawkins-kennedy-test", "positive", side="left", pain=4, own_pain=True),
                self._found("drop-arm-test", "negative", side="left"),
                self._found("external-rotation-strength", "negative", side="left"),
                TreatmentRecorded(problem_id=_P, what="Paracetamol", dose="as bought", response="same"),
                Decided(
                    problem_id=_P, action="start-care", care_group=self._care("shoulder", "subacromial-pain"),
                    review_on=at.date() + dt.timedelta(days=35), words="Exercise for the cuff, three times a week",
                ),
                AdviceGiven(
                    problem_id=_P, advice="Use the arm below shoulder height freely; build up slowly above it.",
                    come_back_if="The arm turns weak all at once, or pain wakes you every night with weight loss.",
                ),
                Closed(),
            ],
        )  # fmt: skip
        return visit

    def _care(self, region: str, condition: str) -> str:
        return self.catalogue.region(region).conditions[condition].care_group

    def _items(self, region: str, position: str, but: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(
            item.id
            for card in self.catalogue.region(region).cards
            if card.position == position
            for item in card.item
            if item.id not in but
        )

    def _asked(self, observable: str, result: str) -> FindingRecorded:
        return FindingRecorded.model_validate({"problem_id": _P, "observable": observable, "result": result})

    def _found(self, observable: str, result: str, *, side: Side, **more: object) -> FindingRecorded:
        return FindingRecorded.model_validate(
            {"problem_id": _P, "observable": observable, "result": result, "side": side, **more}
        )

    def _clear_screens(self, visit: str, at: dt.datetime) -> None:
        problem = replay(self.store.events(visit)).problems[_P]
        self._say(
            visit,
            at,
            [
                ScreenAnswered(problem_id=_P, screen_id=view.screen.id, item_id=item.id, answer="no")
                for view in screen_views(problem, self.catalogue, at)
                for item in view.screen.item
            ],
        )

    def _open(self, event: VisitOpened, at: dt.datetime) -> str:
        visit = self.store.new_visit_id()
        self._say(visit, at, [event])
        return visit

    def _say(self, visit: str, at: dt.datetime, events: Iterable[Event]) -> None:
        for event in events:
            seq = len(self.store.events(visit)) if event.type != "visit-opened" else 0
            self.store.append(visit, event, ACTOR, f"demo-{visit}-{seq}", at)


_NEIGHBOURS = ("hip-clear", "lumbar-clear", "ankle-foot-clear", "calf-clear")
