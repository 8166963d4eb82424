"""The safety screen of a problem as lines of a note: what was asked, what was found, what was not asked."""

from __future__ import annotations

import datetime as dt

from endfeel.catalogue.screens import ScreenItem
from endfeel.documents.names import Names
from endfeel.documents.sections import Line, Weight
from endfeel.documents.wording import SENDS_FOR, capital, clean, listed, moment, plural
from endfeel.visits.problem import ProblemState
from endfeel.visits.safety import ScreenView, chances_withheld, recorded_before, screen_views


def safety_lines(
    problem: ProblemState, names: Names, now: dt.datetime, zone: dt.tzinfo, *, taken_home: bool = False
) -> tuple[Line, ...]:
    """Flags first, then every screen with its negatives, then what stands beside the screens.

    taken_home: the patient may carry the paper, so discreet screens are left off.
    """
    views = _views(problem, names, now, taken_home)
    flagged = [v for v in views if v.state == "flag"]
    lines = [flag_line(view) for view in flagged]
    for view in (*flagged, *(v for v in views if v.state != "flag")):
        lines += [*_screen(view, names, zone), *_before(view, problem, names)]
    if not views:
        words = "no safety screen applied to this problem; none was asked"
        lines.append(Line(words, "Safety screen", "not asked", "dashed"))
    lines += _elsewhere(problem, names, taken_home)
    lines += [
        Line(
            f"{clean(o.reason)} ({o.made.actor}, {moment(o.made.at, zone)})",
            "Went on before the screen was complete",
            weight="strong",
        )
        for o in problem.overrides
        if o.screen_id is None
    ]
    unknown = [s for s in problem.screens if s not in names.catalogue.screens]
    for screen_id in unknown:
        answers = [f"{names.screen_item(screen_id, i)}: {a}" for i, a in problem.screens[screen_id].items()]
        lines.append(Line("; ".join(answers), names.screen(screen_id), "a screen that is no longer in use"))
    return tuple(lines)


def safety_summary(problem: ProblemState, names: Names, now: dt.datetime, *, taken_home: bool = False) -> Line:
    """The safety state in one line, for the top of a document. taken_home: as in safety_lines."""
    views = _views(problem, names, now, taken_home)
    flags = [v for v in views if v.state == "flag"]
    if flags:
        words = "; ".join(f"{v.screen.name} ({SENDS_FOR[v.sends_for]})" for v in flags)
        return Line(words, "Safety", f"{plural(len(flags), 'flag')}", "flag")
    waiting = [v for v in views if v.state in ("not-asked", "partly-asked")]
    if all(v.state == "not-asked" for v in views):
        return Line("", "Safety", "not asked", "dashed")
    if waiting:
        words = f"{len(views) - len(waiting)} of {plural(len(views), 'screen')} complete; not complete: "
        return Line(words + listed([v.screen.name for v in waiting]), "Safety", "partly asked", "dashed")
    words = plural(len(views), "screen")
    if one_way := [view.screen.name for view in views if view.one_way]:
        words += f"; can raise but not clear this person: {listed(one_way)}"
    little = any(item.counts for view in views for item in view.items)
    return Line(words, "Safety", "asked, too little to send by itself" if little else "asked, none found", "strong")


def flag_line(view: ScreenView) -> Line:
    """A raised screen: what it sends for, what to do, what raised it."""
    flag = view.flag
    raised = listed([clean(words).rstrip("?.") for words in flag.raised_by]) if flag else ""
    words = view.screen.clinician.rstrip(".") + (f". Raised by: {raised}." if raised else ".")
    return Line(words, view.screen.name, capital(SENDS_FOR[view.sends_for]), "flag")


def no_chances(problem: ProblemState, on: dt.date) -> str | None:
    """Why there are no chances for this person; None where there may be."""
    return chances_withheld(problem, on)


def is_discreet(problem: ProblemState, names: Names, screen_id: str) -> bool:
    """Whether a screen stays off what the patient may carry; not where the last decision sends for that screen."""
    screen = names.catalogue.screens.get(screen_id)
    decided = problem.decision.event.screen_id if problem.decision else None
    return screen is not None and screen.discreet and decided != screen_id


def _views(problem: ProblemState, names: Names, now: dt.datetime, taken_home: bool) -> tuple[ScreenView, ...]:
    views = screen_views(problem, names.catalogue, now)
    return tuple(v for v in views if not (taken_home and is_discreet(problem, names, v.screen.id)))


def _screen(view: ScreenView, names: Names, zone: dt.tzinfo) -> list[Line]:
    by_answer: dict[str, list[str]] = {"yes": [], "no": [], "unsure": [], "found": [], "again": []}
    for item in view.items:
        if item.answer is not None:
            by_answer[item.answer].append(_asked(item.item))
        if item.raised_by:
            by_answer["found"].append(f"{_asked(item.item)} (by {listed([names.recorded(r) for r in item.raised_by])})")
        elif item.ask_again and item.answer is not None:
            by_answer["again"].append(f"{_asked(item.item)} (by {listed([names.recorded(r) for r in item.ask_again])})")
    not_asked = [_asked(item) for item in view.not_asked]
    labels = (
        ("yes", "yes"),
        ("found", "raised by what was recorded"),
        ("unsure", "unsure"),
        ("no", "no"),
        ("again", "to be asked again"),
    )
    parts = [f"{label}: {'; '.join(by_answer[key])}" for key, label in labels if by_answer[key]]
    if not_asked and len(not_asked) < len(view.items):
        parts.append(f"not asked: {'; '.join(not_asked)}")
    weight: Weight = "dashed"
    if view.state in ("flag", "asked-none-found"):
        weight = "strong" if view.state == "flag" else "plain"
    lines = [Line(". ".join(capital(p) for p in parts), view.screen.name, view.words, weight)]
    if view.one_way:
        lines.append(Line(" ".join(view.one_way), f"{view.screen.name}: can raise, not clear", weight="quiet"))
    if view.reminders:
        lines.append(Line(" ".join(view.reminders), f"{view.screen.name}: may not apply, not known", weight="quiet"))
    if view.override is not None and view.override.screen_id is not None:
        made = view.override.made
        words = f"{clean(view.override.reason)} ({made.actor}, {moment(made.at, zone)})"
        lines.append(Line(words, f"{view.screen.name}: went on in spite of it", weight="strong"))
    return lines


def _before(view: ScreenView, problem: ProblemState, names: Names) -> list[Line]:
    found = [
        f"{names.observable(r.observable)}{f', {r.side}' if r.side in ('left', 'right') else ''}: {r.result}"
        for r in recorded_before(view, problem, names.catalogue)
    ]
    return [Line("; ".join(found), f"{view.screen.name}: recorded before it was raised, kept")] if found else []


def _asked(item: ScreenItem) -> str:
    words = item.ask or item.look
    return words.rstrip("?.")


def _elsewhere(problem: ProblemState, names: Names, taken_home: bool) -> list[Line]:
    return [
        Line(
            f"{names.screen_item(a.screen_id, a.item_id).rstrip('?.')}: {a.answer}",
            f"Asked when the problem stood on the {a.side}",
            "does not count here",
            "dashed",
        )
        for a in problem.asked_elsewhere
        if not (taken_home and is_discreet(problem, names, a.screen_id))
    ]
