"""The page that lists every safety screen by region, for whoever reviews them: written from the catalogue."""

from __future__ import annotations

from endfeel.catalogue import load_catalogue
from endfeel.catalogue.regions import Catalogue
from endfeel.catalogue.screens import Screen, ScreenItem, Shown, When
from endfeel.documents.names import Names
from endfeel.documents.wording import SENDS_FOR, capital, side_and_region
from endfeel.evidence import load_evidence
from endfeel.evidence.base import REGIONS
from endfeel.visits.safety import URGENCY, screens_for


def screen_list() -> str:
    """The page as Markdown."""
    catalogue = load_catalogue()
    out = [
        "# Every safety screen, by region",
        "",
        "For reviewers. A screen is raised when its counts reach the number given; *emergency* beside a question means "
        "that this answer alone asks for more haste than its screen. What is in brackets raises the question when it "
        "was recorded elsewhere in the visit; after *asks* it only has the question asked again. All are drafts until "
        "a licensed reviewer signs, and local pathways come first. Which screen is asked in which region:",
        "",
    ]
    for region in REGIONS:
        asked = screens_for(catalogue, region)
        names = ", ".join(f"[{s.name}](#{s.id})" for s in asked)
        out += [f"- **{capital(side_and_region('none', region))}** ({len(asked)}): {names}"]
    for screen in sorted(catalogue.screens.values(), key=lambda s: (URGENCY.index(s.sends_for), s.name)):
        out += ["", *_screen(screen, catalogue)]
    out += ["", "*Written from `screens.toml` by `python -m tests.spec.write`; a test holds it to the catalogue.*", ""]
    return "\n".join(out)


def _screen(screen: Screen, catalogue: Catalogue) -> list[str]:
    where = ", ".join(side_and_region("none", r).lower() for r in screen.regions)
    said = [f"Sends: {SENDS_FOR[screen.sends_for]}. Asked in: {where}{_when(screen.when)}."]
    if screen.flag_at > 1:
        said.append(f"Raised at {screen.flag_at} counts.")
    if screen.precaution:
        held = catalogue.precautions[screen.precaution].name
        until = ", and until every question is settled" if screen.withholds_until_done else ""
        said.append(
            f"While raised{until}, findings are withheld that are never done with: {held[0].lower()}{held[1:]}."
        )
    if screen.discreet:
        said.append("It stays off what the patient takes home.")
    lines = [f'<a id="{screen.id}"></a>', "", f"## {screen.name}", "", " ".join(said), ""]
    lines += [_item(item, screen, catalogue) for item in screen.item]
    lines += ["", f"Clinician: {screen.clinician}", "", f"Patient: {screen.patient}", ""]
    lines += [f"- Stops: {line.words}" for line in screen.outside]
    lines += [f"- Source: [{source.citation}]({source.url})" for source in screen.sources]
    return lines


def _when(when: When) -> str:
    parts = []
    if when.onset:
        parts.append("after an injury" if when.onset == "injury" else "where there was no injury")
    if when.days_under:
        parts.append(f"within {when.days_under} days")
    if when.age_min is not None:
        parts.append(f"from the age of {when.age_min}")
    if when.age_max is not None:
        parts.append(f"up to the age of {when.age_max}")
    if when.sex:
        parts.append(f"{when.sex} only")
    return f" ({', '.join(parts)})" if parts else ""


def _item(item: ScreenItem, screen: Screen, catalogue: Catalogue) -> str:
    line = f"- {'Ask' if item.ask else 'Look'}: {item.ask or item.look}"
    if item.why:
        line += f" *{item.why}*"
    if item.counts != 1:
        line += f" Counts {item.counts}."
    if item.sends_for:
        line += f" **{capital(SENDS_FOR[item.sends_for])}.**"
    marks = [m for m in item.shown_by if not m.asks]
    raises = [_name(f, screen, catalogue) for f in item.fed_by] + [_mark(m, screen, catalogue) for m in marks]
    asks = [_mark(m, screen, catalogue) for m in item.shown_by if m.asks]
    told = "; ".join(dict.fromkeys(raises)) + ("; " if raises and asks else "")
    told += "asks: " + "; ".join(dict.fromkeys(asks)) if asks else ""
    return line + (f" ({told})" if told else "")


def _mark(mark: Shown, screen: Screen, catalogue: Catalogue) -> str:
    said = _name(mark.id, screen, catalogue)
    if mark.at_most is not None:
        said += f" at {mark.at_most:g} or less"
    if mark.feels:
        said += f" with end feel “{mark.feels}”"
    if mark.sides == "both":
        said += " on both sides"
    if mark.unless:
        said += f", not if {mark.unless}"
    return said + (", asks if painful" if mark.pain_asks else "")


def _name(identifier: str, screen: Screen, catalogue: Catalogue) -> str:
    for region in screen.regions:
        names = Names(catalogue, load_evidence(), region)
        here = catalogue.region(region)
        known = names.row(identifier) or here.item(identifier) or identifier in {n.id for n in here.neighbours}
        if known:
            return names.recorded(identifier)
    return Names(catalogue, load_evidence(), screen.regions[0]).recorded(identifier)
