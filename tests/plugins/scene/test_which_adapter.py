"""A scene is drawn on the plan's card, or not at all."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pytest

from harness.card import GraphicsCard
from harness.testing import FakeClock
from harness_plugins.scene.gpu_device import pick_adapter
from harness_plugins.scene.workload import SceneWorkload


@dataclass
class Adapter:
    name: str
    pci: tuple[int, int]
    kind: str = "DiscreteGPU"
    backend: str = "Vulkan"
    info: dict[str, Any] = field(init=False)

    def __post_init__(self) -> None:
        self.info = {
            "device": self.name,
            "description": self.name,
            "adapter_type": self.kind,
            "backend_type": self.backend,
            "vendor_id": self.pci[0],
            "device_id": self.pci[1],
        }


GREEN = Adapter("Lumen 90", (0x10DE, 0x2684))
TWIN = Adapter("Lumen 90", (0x10DE, 0x2684))
OWN = Adapter("Pebble graphics", (0x1002, 0x164E), "IntegratedGPU")
OLD_WAY = Adapter("Lumen 90", (0x10DE, 0x2684), backend="OpenGL")
SOFTWARE = Adapter("paint in software", (0x10005, 0), "CPU")


@pytest.mark.parametrize(
    ("adapters", "wanted", "card", "found"),
    [
        ([OWN, GREEN, SOFTWARE], None, "10de:2684", GREEN),
        ([GREEN, OWN, SOFTWARE], None, "1002:164e", OWN),
        ([GREEN, OLD_WAY], None, "10de:2684", GREEN),
        ([GREEN, OWN], "lumen", "10de:2684", GREEN),
        ([GREEN, SOFTWARE], "software", "10de:2684", SOFTWARE),  # the plan says so
        ([GREEN, OWN], None, None, GREEN),  # a machine whose cards nobody can tell
        ([GREEN, OWN], "pebble", None, OWN),
    ],
)
def test_the_adapter_is_the_plans_card(adapters, wanted, card, found):
    assert pick_adapter(adapters, wanted, card) is found


@pytest.mark.parametrize(
    ("adapters", "wanted", "card", "said"),
    [
        ([SOFTWARE], None, "10de:2684", r"is no graphics adapter here \(there: paint in software"),
        ([GREEN, OWN], "pebble", "10de:2684", "is not the plan's card, Lumen 90"),
        ([GREEN, TWIN], None, "10de:2684", "several cards of the model Lumen 90"),
        ([], None, None, "no graphics adapter"),
    ],
)
def test_a_scene_that_can_not_be_drawn_on_the_plans_card_is_refused_with_the_reason(
    adapters, wanted, card, said
):
    with pytest.raises(RuntimeError, match=said):
        pick_adapter(adapters, wanted, card)


@pytest.mark.parametrize(("backend", "told"), [("gpu", True), ("cpu", False)])
def test_the_scenes_process_is_told_the_card(backend, told, make_cell, tmp_path):
    card = GraphicsCard("GPU-1", "Lumen 90", "nvml", pci_id=(0x10DE, 0x2684))
    cell, launch = make_cell(backend, tmp_path)
    words = SceneWorkload(cell, FakeClock(), card)._arguments(launch)
    assert ("--card 10de:2684" in " ".join(words)) is told


@pytest.fixture
def make_cell():
    from harness.plan.cells import expand
    from harness.plan.load import parse_plan
    from harness.plugins import PluginHost
    from harness.rig import Launch

    def make(backend, folder):
        text = f"""
            plan = {{ question = "Is it drawn?", repeats = 1, reference = "factory" }}
            profiles = [{{ name = "factory" }}]
            [[titles]]
            name = "salt-road"
            workload = "scene"
            scene = "slow-tide"
            backend = "{backend}"
            measure_s = 5
        """
        (cell,) = expand(parse_plan(text, "plan.toml", PluginHost().kinds))
        return cell, Launch(cell, folder, folder / "output.log")

    return make
