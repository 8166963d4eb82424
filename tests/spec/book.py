"""All chapters in order."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

from tests.spec.chances import by_chance_chapter, starting_chapter
from tests.spec.chapters import Case, Chapter
from tests.spec.raised import raised_chapter

from endfeel.catalogue import load_catalogue
from endfeel.catalogue.entries import Finding
from endfeel.catalogue.expression import parse
from endfeel.catalogue.result import work_out
from endfeel.documents.wording import chance_line
from endfeel.planning import CostError, Costs, change, default_costs
from endfeel.visits.irritability import RULE, judge
from endfeel.visits.safety import screen_state


def _seen(values: Mapping[str, object]) -> str:
    return ", ".join(f"{k} = {v}" for k, v in values.items()) or "nothing"


def _criterion() -> Chapter:
    cases = []
    for text, values in (
        ('travel != "same" or stop != "firm"', {"travel": "same", "stop": "soft"}),
        ('travel != "same" or stop != "firm"', {"travel": "same", "stop": "firm"}),
        ('travel != "same" or stop != "firm"', {"travel": "clearly more"}),
        ('travel != "same" or stop != "firm"', {"travel": "same"}),
        ("angle < 10 and not (pain >= 7)", {"angle": 8.0, "pain": 3.0}),
        ("angle < 10 and not (pain >= 7)", {"angle": 8.0}),
        ('fear.free != "none" and done.both', {"fear.free": "some", "done.both": True}),
        ('posterior-sag == "positive"', {}),
    ):
        observed = _seen(values)
        expected = {
            0: "holds", 1: "does not hold", 2: "holds", 3: "does not hold", 4: "holds", 5: "does not hold", 6: "holds",
            7: "does not hold",
        }[len(cases)]  # fmt: skip
        cases.append(
            Case(
                (f"`{text}`", observed),
                expected,
                partial(lambda t, v: "holds" if parse(t).holds(v) else "does not hold", text, values),
            )
        )
    return Chapter(
        "criteria",
        "When a criterion holds",
        "The catalogue says in a small language when a result is positive or negative. What was not observed is "
        "unknown, and an unknown whole holds for nothing.",
        ("criterion", "observed", "then it"),
        tuple(cases),
    )


def _results() -> Chapter:
    knee = load_catalogue().region("knee").findings
    lachman, locking, sided = knee["lachman"], knee["locking-or-catching"], knee["mcmurray"]
    rows: list[tuple[Finding, dict[str, str], str | None, str]] = [
        (lachman, {"travel": "clearly more", "stop": "none"}, None, "positive"),
        (lachman, {"travel": "same", "stop": "firm", "relaxed": "yes"}, None, "negative"),
        (lachman, {"travel": "same", "stop": "firm", "relaxed": "no"}, None, "unclear"),
        (lachman, {}, None, "unclear"),
        (locking, {"answer": "yes, truly stuck"}, None, "positive"),
        (locking, {"answer": "no"}, None, "negative"),
        (sided, {}, "either", "unclear"),
    ]
    return Chapter(
        "results",
        "From what was observed to a result",
        "The first line of a finding's `result` that holds decides, in the order void, positive, negative, otherwise.",
        ("finding", "observed", "result"),
        tuple(
            Case(
                (f"{entry.id}:{part}" if part else entry.id, _seen(seen)),
                expected,
                partial(work_out, entry, seen, {}, part),
            )
            for entry, seen, part, expected in rows
        ),
    )


def _irritability() -> Chapter:
    rows = (
        ("little", "severe", "minutes", None, "high"),
        ("little", "moderate", "hours", None, "high"),
        ("much", "mild", "an-hour", None, "low"),
        ("much", "mild", "hours", None, "moderate"),
        ("some", "moderate", "an-hour", None, "moderate"),
        (None, None, None, None, "moderate"),
        ("much", "mild", "minutes", 2, "high"),
        ("much", "mild", "minutes", 9, "low"),
    )
    return Chapter(
        "irritability",
        "Irritability from three taps",
        RULE + " The cut-offs are our stated assumption.",
        ("how little brings it on", "how bad", "how long to settle", "days since injury", "level"),
        tuple(
            Case(
                (*("not asked" if v is None else v for v in row[:3]), "none" if row[3] is None else str(row[3])),
                row[4],
                partial(lambda a, b, c, d: judge(a, b, c, d).level, *row[:4]),
            )
            for row in rows
        ),
    )


def _screens() -> Chapter:
    screen = load_catalogue().screens["knee-dislocation"]
    ids = [item.id for item in screen.item]
    rows: list[tuple[dict[str, str], dict[str, int], str]] = [
        ({}, {}, "not-asked"),
        ({ids[0]: "no"}, {}, "partly-asked"),
        (dict.fromkeys(ids, "no"), {}, "asked-none-found"),
        ({**dict.fromkeys(ids, "no"), ids[1]: "unsure"}, {}, "partly-asked"),
        ({ids[0]: "yes"}, {}, "flag"),
    ]
    return Chapter(
        "screens",
        "Safety screens, outside the chances",
        "A screen is *not asked*, *partly asked*, *asked, none found* or a *flag*. *Unsure* does not settle an item. "
        "There is no percentage, and nothing recorded later lowers a flag. "
        f"The cases use the screen “{screen.name}”.",
        ("answers", "state"),
        tuple(
            Case(
                (", ".join(f"{k}: {v}" for k, v in answers.items()) or "none",),
                expected,
                partial(screen_state, screen, answers, found),
            )
            for answers, found, expected in rows
        ),
    )


def _thresholds() -> Chapter:
    def low_high(costs: Costs) -> str:
        found = costs.thresholds("knee-cruciate")
        return f"{found.low:.2f} and {found.high:.2f}"

    def refused(costs: Costs, look: float) -> str:
        try:
            change(costs, modality_cost={"mri": look})
        except CostError:
            return "refused"
        return "taken"

    catalogue = load_catalogue()
    plain = change(
        default_costs(catalogue.region("knee"), catalogue.modalities),
        harm_of_a_miss={"knee-cruciate": 4.0}, harm_of_wrong_care={"knee-cruciate": 2.5}, modality_cost={"mri": 1.0},
    )  # fmt: skip
    return Chapter(
        "thresholds",
        "Thresholds follow from costs",
        "Setting aside costs m·p, starting care a·(1 − p), looking further L. Below L/m set aside, above 1 − L/a start "
        "care (Pauker and Kassirer, N Engl J Med 1980;302:1109-1117). A middle zone exists only where L < m·a/(m + a); "
        "a change that would close one is refused. Unit: one routine imaging referral = 1; all figures are our stated "
        "assumptions.",
        ("harm of a miss m", "harm of wrong care a", "looking further L", "then"),
        (
            Case(("4", "2.5", "1"), "0.25 and 0.60", partial(low_high, plain)),
            Case(
                ("8", "2.5", "1"),
                "0.12 and 0.60",
                lambda: low_high(change(plain, harm_of_a_miss={"knee-cruciate": 8.0})),
            ),
            Case(
                ("4", "5", "1"),
                "0.25 and 0.80",
                lambda: low_high(change(plain, harm_of_wrong_care={"knee-cruciate": 5.0})),
            ),
            Case(("4", "2.5", "1.5"), "taken", lambda: refused(plain, 1.5)),
            Case(("4", "2.5", "1.6"), "refused", lambda: refused(plain, 1.6)),
        ),
    )


def _words() -> Chapter:
    rows = (
        (0.62, 0.31, 0.83, "about 6 in 10 (3 to 8)"),
        (0.31, 0.12, 0.52, "about 3 in 10 (1 to 5)"),
        (0.02, 0.004, 0.06, "about 1 in 50 (0 to 6 in 100)"),
        (0.97, 0.9, 0.99, "about 29 in 30 (9 to 10 in 10)"),
    )
    return Chapter(
        "words",
        "Chances in words",
        "Words come before numbers; the range is the chance if these tests work better or worse here.",
        ("chance", "low", "high", "said as"),
        tuple(Case((str(p), str(lo), str(hi)), text, partial(chance_line, p, lo, hi)) for p, lo, hi, text in rows),
    )


BOOK: tuple[Chapter, ...] = (
    _criterion(),
    _results(),
    _irritability(),
    _screens(),
    raised_chapter(),
    starting_chapter(),
    _thresholds(),
    by_chance_chapter(),
    _words(),
)
