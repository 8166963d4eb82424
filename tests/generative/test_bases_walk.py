"""However a clinic goes on changing studies, costs and starting chances, every visit keeps what it began with."""

from __future__ import annotations

import datetime as dt
import random
import sys
from pathlib import Path
from typing import Any

import pytest

from endfeel.visits.events import ContextSet, FindingRecorded, ProblemAdded, StoryTold, VisitOpened
from endfeel.web.bases import Bases
from endfeel.web.clinic_costs import cost_values
from endfeel.web.clinic_evidence import Wanted
from endfeel.web.desk import Desk
from endfeel.web.settings import Settings

sys.path.insert(0, str(Path(__file__).parents[1] / "unit" / "evidence"))
from own_studies import counts, own

NOW = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)
RESULTS = {"lachman": "positive", "pivot-shift": "negative", "anterior-drawer": "positive"}
SHIPPED_STUDY = "pmid-31281835"


class Clinic:
    """A clinic that opens visits and changes what it reckons with, in an order that chance decides."""

    def __init__(self, folder: Path, rng: random.Random) -> None:
        self.folder, self.rng = folder, rng
        self.desk = Desk(Settings(folder))
        self.began: dict[str, Any] = {}

    def visit(self) -> None:
        """Opens a visit, records, and notes the figures that it shows."""
        desk, visit_id = self.desk, self.desk.store.new_visit_id()
        opened = VisitOpened(patient_code="K", birth_year=1996, edition=desk.edition.id, software=desk.software)
        desk.store.append(visit_id, opened, "A", f"{visit_id}-o", NOW, basis=desk.bases.keep_today())
        told = (
            ProblemAdded(problem_id="p", region="knee", side="left"),
            StoryTold(problem_id="p", onset="injury"),
            ContextSet(problem_id="p", how_bad="mild"),
            *(
                FindingRecorded.model_validate({"problem_id": "p", "observable": o, "side": "left", "result": r})
                for o, r in RESULTS.items()
                if self.rng.random() < 0.7
            ),
        )
        for n, event in enumerate(told):
            desk.store.append(visit_id, event, "A", f"{visit_id}-{n}", NOW)
        self.began[visit_id] = self.figures(visit_id)

    def study(self) -> None:
        """Adds a study of its own, or edits the one it has."""
        held = self.desk.own.now().wanted.own
        cells = [self.rng.randint(1, 90) for _ in range(4)]
        made = own(counts(*cells))
        self.desk.own.change([Wanted("edit" if made.study_id in held else "add", made.study_id, made)], "A")

    def retire(self) -> None:
        """Leaves a shipped study out, or takes it in again."""
        retired = SHIPPED_STUDY in self.desk.own.now().wanted.retired
        self.desk.own.change([Wanted("restore" if retired else "retire", SHIPPED_STUDY, why="chance")], "A")

    def costs(self) -> None:
        """Sets the harm of a miss."""
        name = self.rng.choice([n for n in cost_values(self.desk.own_costs.shipped("knee")) if n.startswith("miss ")])
        usual = cost_values(self.desk.own_costs.shipped("knee"))[name]
        self.desk.own_costs.set("knee", {name: usual * self.rng.uniform(1.1, 3.0)}, "A")

    def chances(self) -> None:
        """Sets a starting chance."""
        values = {"acl-tear": round(self.rng.uniform(0.05, 0.3), 3)}
        self.desk.own_chances.set("knee", "primary/injury/all", values, "A")

    def restart(self) -> None:
        """The server is started again on the same folder."""
        self.desk.close()
        self.desk = Desk(Settings(self.folder))

    def figures(self, visit_id: str) -> Any:
        """Chances, thresholds, what is advised and how each finding moved, to the last digit."""
        desk = self.desk.on(visit_id)
        problem = desk.visit(visit_id).problems["p"]
        model = desk.model(problem, NOW)
        assert model is not None
        belief, costs = desk.belief(problem, model), desk.costs("knee")
        return (
            desk.edition.id,
            {c: (i.mean, i.low, i.high) for c, i in belief.chances.items()},
            {c: (s.chance, s.source_words) for c, s in model.starting.items()},
            {g: costs.thresholds(g) for g in costs.harm_of_a_miss},
            [(a.care_group, a.action, a.chance) for a in desk.decision(problem, model, belief).by_group],
            [(m.observable, m.condition, m.log_odds_change) for m in desk.explained(model, belief).moves],
        )


@pytest.mark.parametrize("seed", range(6))
def test_every_visit_keeps_what_it_began_with(tmp_path: Path, seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = random.Random(seed)
    clinic = Clinic(tmp_path, rng)
    read: list[str] = []
    plain = Bases._had_again
    monkeypatch.setattr(Bases, "_had_again", lambda self, basis: (read.append(basis), plain(self, basis))[1])
    clinic.visit()
    acts = [clinic.study, clinic.retire, clinic.costs, clinic.chances] * 2
    rng.shuffle(acts)
    for act in acts:
        act()
        if rng.random() < 0.6:
            clinic.visit()
        if rng.random() < 0.25:
            clinic.restart()
        looked_at = rng.choice(list(clinic.began))
        assert clinic.figures(looked_at) == clinic.began[looked_at], f"after {act.__name__}"
    clinic.visit()
    clinic.restart()
    assert {visit: clinic.figures(visit) for visit in clinic.began} == clinic.began
    grounds = [clinic.desk.bases.of_visit(visit) for visit in clinic.began]
    assert all(not ground.trouble for ground in grounds)
    assert len({str(figures) for figures in clinic.began.values()}) > 2, "the changes did move figures"
    assert read, "figures came back from the record"
    assert len(clinic.desk.bases.archive.bases()) <= len(clinic.began)
    clinic.desk.close()
