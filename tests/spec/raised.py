"""The chapter on what raises a safety screen."""

from __future__ import annotations

import datetime as dt
from functools import partial

from tests.spec.chapters import Case, Chapter

from endfeel.catalogue import load_catalogue
from endfeel.visits.events import (
    BaseRecorded,
    ContextSet,
    Corrected,
    Event,
    ProblemAdded,
    ScreenAnswered,
    StoredEvent,
    StoryTold,
    VisitOpened,
)
from endfeel.visits.safety import screen_views
from endfeel.visits.state import replay


def raised_chapter() -> Chapter:
    """Every question answered no, then a recording elsewhere: what becomes of the screen."""

    def found(item: str, value: float | None = None, painful: bool | None = None) -> tuple[Event, ...]:
        made = BaseRecorded(
            problem_id="p1", item_id=item, side="left", state="something-found", value=value, painful=painful
        )
        return (made,)

    def said(precaution: str) -> tuple[Event, ...]:
        return (ContextSet(problem_id="p1", precautions={precaution: "yes"}),)

    def told(onset: str) -> tuple[Event, ...]:
        return (StoryTold.model_validate({"problem_id": "p1", "onset": onset}),)

    pulse, raised, asked = found("foot-pulses"), "flag", "partly-asked"
    rows: tuple[tuple[str, str, str, tuple[Event, ...], str], ...] = (
        ("knee", "knee-dislocation", "foot pulse: something found", pulse, raised),
        ("knee", "knee-dislocation", "foot pulse found, taken back", (*pulse, Corrected(of=1)), "asked-none-found"),
        ("knee", "extensor-mechanism", "injury; lifts the straight leg: found", found("lifts-straight-leg"), raised),
        (
            "knee", "extensor-mechanism", "gradual; lifts the straight leg: found",
            (*told("gradual"), *found("lifts-straight-leg")), "asked-none-found",
        ),
        ("ankle-foot", "new-weakness", "foot power, grade 3", found("power-foot", 3), raised),
        ("ankle-foot", "new-weakness", "foot power, grade 3, painful", found("power-foot", 3, True), asked),
        ("ankle-foot", "new-weakness", "foot power, grade 4", found("power-foot", 4), "asked-none-found"),
        ("knee", "septic-joint", "warmth: something found", found("skin-heat"), "asked-none-found"),
        ("knee", "septic-joint", "warmth found, diabetes", (*found("skin-heat"), *said("diabetes")), raised),
        ("knee", "deep-vein-thrombosis", "calf and circulation: something there", found("calf-clear"), asked),
        ("lumbar-pelvis", "spinal-malignancy", "cancer now or in the past: yes", said("cancer-history"), raised),
        ("cervical", "neck-arteries", "pupils, lids, tongue: something there", found("head-nerves-clear"), raised),
    )  # fmt: skip
    screens = load_catalogue().screens

    def state(region: str, screen_id: str, events: tuple[Event, ...]) -> str:
        screen = screens[screen_id]
        answers = [
            ScreenAnswered(problem_id="p1", screen_id=screen_id, item_id=item.id, answer="no") for item in screen.item
        ]
        # A correction in the row aims at the row's first recording.
        first: tuple[Event, ...] = (
            VisitOpened(patient_code="K"),
            ProblemAdded.model_validate({"problem_id": "p1", "region": region, "side": "left"}),
            StoryTold(problem_id="p1", onset="injury", onset_date=dt.date(2026, 3, 1)),
        )
        whole = (*first, *answers, *(_moved_on(e, len(first) + len(answers)) for e in events))
        at = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)
        problem = replay(
            StoredEvent(seq=i, visit_id="v", at=at, actor="A", client_id=f"c{i}", event=event)
            for i, event in enumerate(whole, start=1)
        ).problems["p1"]
        return next(v.state for v in screen_views(problem, load_catalogue(), at) if v.screen.id == screen_id)

    return Chapter(
        "raised",
        "What raises a screen",
        "Every question of the screen was answered *no*; then something was recorded elsewhere. It raises the screen, "
        "or has a question asked again (*partly-asked*), or is too little by itself. It never lowers a screen; taking "
        "the recording back takes away only what it said.",
        ("screen", "recorded then", "state"),
        tuple(
            Case((screens[screen].name, words), expected, partial(state, region, screen, events))
            for region, screen, words, events, expected in rows
        ),
    )


def _moved_on(event: Event, by: int) -> Event:
    return event.model_copy(update={"of": by + 1}) if isinstance(event, Corrected) else event
