"""What built-in scenes need of the plan and of this machine."""

from __future__ import annotations

import importlib.util

from harness.needs.need import Need
from harness.needs.titles import length_need
from harness.plan.cells import expand
from harness.plan.schema import Plan
from harness_plugins.scene.options import SceneOptions


def scene_needs(plan: Plan) -> list[Need]:
    """For all titles with ``workload = "scene"``; each thing once."""
    places = {title.name: index for index, title in enumerate(plan.titles)}
    found: dict[Need, None] = {}
    for cell in expand(plan):
        if cell.title.workload != "scene":
            continue
        options = SceneOptions.model_validate(cell.workload_options)
        place = ("titles", places[cell.title.name])
        if options.seconds is not None:
            needs = length_need((*place, "seconds"), plan, cell.title, options.seconds, "seconds")
            found |= dict.fromkeys(needs)
        if options.backend == "gpu" and importlib.util.find_spec("wgpu") is None:
            what = "a scene on the card needs the package wgpu, which is not installed"
            need = Need((*place, "backend"), "missing", what, "pip install 'levelrig[gpu]'")
            found[need] = None
    return list(found)
