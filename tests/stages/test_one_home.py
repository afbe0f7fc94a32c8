"""Nobody but the stages' own files knows a stage by name; the registry keeps their order."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from harness.stages import STAGES
from harness.stages.registry import Registry
from harness.stages.soak import SoakStage
from harness.tables import attempt_columns

HARNESS = Path(__file__).parents[2] / "harness"
#: Where a text really means one stage, and why.
MEANT = {
    "conditions/change_points.py": "warm-up is the statistics' own word for the start of a series",
    "conditions/thermal.py": "an example of the kinds of waits that it learns",
    "needs/titles.py": "advice names the key of the plan that helps",
    "newplan/compose.py": "writes the keys of a plan",
    "newplan/fields.py": "writes the keys of a plan",
    "newplan/ask_titles.py": "writes the keys of a plan",
    "rehearse.py": "advice names the key of the plan that helps",
    "rig.py": "tells whoever writes a control when it is asked",
    "tables.py": "a column never changes meaning",
    "report/compare/definitions.py": "an example of a key that differs",
    "trying/account.py": "a try says that it waits for no cooldown",
    "trying/advice.py": "advice names the key of the plan that helps",
    "trying/choose.py": "a try waits for no cooldown",
}


def test_no_file_outside_the_stages_names_one_but_where_a_text_means_it():
    own = "|".join(re.escape(stage.key).replace("_", "[-_]") for stage in STAGES.own)
    named = {
        path.relative_to(HARNESS).as_posix()
        for suffix in ("py", "j2", "js")
        for path in HARNESS.rglob(f"*.{suffix}")
        if re.search(rf"(?<![a-z])({own})(?![a-z])", path.read_text("utf-8"), re.IGNORECASE)
    }
    outside = {name for name in named if not name.startswith("stages/")}
    assert outside == MEANT.keys(), "iterate over harness.stages.STAGES, or state above why a text means one"


class Later(SoakStage):
    key = "later"
    default = None


class Between(SoakStage):
    key = "between"
    before = "soak"


class Early(SoakStage):
    key = "early"
    place = "before-launch"


def test_added_stages_come_last_in_their_place_or_before_the_one_they_name():
    registry = Registry()
    told = []
    registry.follow(lambda: told.append([stage.key for stage in registry]))
    between = Between()
    for stage in (Later(), between, Early()):
        registry.add(stage)
    registry.add(between)
    assert told == [
        ["cooldown", "warm_up", "soak"],
        ["cooldown", "warm_up", "soak", "later"],
        ["cooldown", "warm_up", "between", "soak", "later"],
        ["cooldown", "early", "warm_up", "between", "soak", "later"],
    ]
    with pytest.raises(ValueError, match="there is a stage 'between' already"):
        registry.add(Between())
    registry.withdraw("between")
    assert registry.get("between") is None


def test_a_later_stage_of_our_own_adds_its_columns_at_the_end_and_needs_no_further_file(monkeypatch):
    before = attempt_columns()
    monkeypatch.setattr(STAGES, "own", (*STAGES.own, Later()))
    assert attempt_columns() == (*before, *Later().columns())
    assert [stage.key for stage in STAGES] == ["cooldown", "warm_up", "soak", "later"]
