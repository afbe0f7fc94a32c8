"""What titles with steps and files need of this machine: screen, keyboard, libraries, pictures, copies."""

from __future__ import annotations

import importlib
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from harness.errors import HarnessError
from harness.needs.need import Need
from harness.plan.locate import Path as PlanPath
from harness.plan.schema import Plan, TitleSpec
from harness.plan.steps_table import StepSpec
from harness.programs import plan_path
from harness.steps.desk import NoDesk, missing_library
from harness.steps.opening import open_desk
from harness.titlefiles import place_of

#: Workloads that show no window.
_UNSEEN: Final = frozenset(("scene", "simulated"))


def step_needs(plan: Plan) -> Iterator[Need]:
    """For all titles with steps; the desk once, at the first of them."""
    asked = False
    for index, title in enumerate(plan.titles):
        place: PlanPath = ("titles", index)
        yield from _file_needs(title, place)
        if not title.steps:
            continue
        if title.workload in _UNSEEN:
            what = (
                f"a title of workload {title.workload!r} shows no window, so it has nothing to step through"
            )
            yield Need((*place, "steps"), "missing", what, "leave its steps out", of_plan=True)
            continue
        if not asked:
            asked = True
            yield from _desk_needs((*place, "steps"), bool(_pictures(title)))
        for where, name in _pictures(title):
            yield from _picture_needs((*place, *where), name, title)


def _pictures(title: TitleSpec) -> list[tuple[PlanPath, str]]:
    """Every picture that a title names, with its place."""
    lists: list[tuple[PlanPath, list[StepSpec]]] = [(("steps",), title.steps)]
    lists += [(("sequences", name), steps) for name, steps in title.sequences.items()]
    found: list[tuple[PlanPath, str]] = []
    for owner, steps in lists:
        for index, step in enumerate(steps):
            key = "picture" if step.picture is not None else "click"
            found += [((*owner, index, key), name) for name in step.pictures]
    return found + [(("surprises", i, "picture"), s.picture) for i, s in enumerate(title.surprises)]


def _desk_needs(place: PlanPath, pictures: bool) -> Iterator[Need]:
    try:
        desk = open_desk()
        try:
            desk.size()
            if pictures:
                desk.grab(0, 0, 8, 8)
                importlib.import_module("cv2")
        finally:
            desk.close()
    except NoDesk as error:
        what, _, remedy = str(error).rpartition("; ")
        yield Need(place, "missing", what, remedy)
    except ImportError as error:
        what, _, remedy = missing_library(error).rpartition("; ")
        yield Need(place, "missing", what, remedy)


def _file_needs(title: TitleSpec, place: PlanPath) -> Iterator[Need]:
    """Stored copies that are there, and places where they can lie."""
    home = Path.home() if title.private_home else None
    for number, spec in enumerate(title.files):
        source = plan_path(spec.copy_, title.base)
        if not source.exists():
            what = f"there is no stored copy {source}"
            yield Need((*place, "files", number, "copy"), "missing", what, "put it beside the plan")
        try:
            target = place_of(spec.at, home)
        except HarnessError as error:
            what, _, remedy = str(error).rpartition("; ")
            yield Need((*place, "files", number, "at"), "missing", what, remedy, of_plan=True)
            continue
        if target.is_symlink():
            what = f"{target} is a link, which is not replaced"
            yield Need((*place, "files", number, "at"), "missing", what, "name what it leads to")


def _picture_needs(place: PlanPath, name: str, title: TitleSpec) -> Iterator[Need]:
    path = plan_path(name, title.base)
    if not path.is_file():
        what = f"there is no picture {path}"
        yield Need(place, "missing", what, "cut it from a picture of the title, and put it beside the plan")
        return
    try:
        from harness.steps.likeness import load_picture  # large: only where a plan names a picture

        load_picture(path)
    except HarnessError as error:
        what, _, remedy = str(error).rpartition("; ")
        yield Need(place, "missing", what, remedy)
