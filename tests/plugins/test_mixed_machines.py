"""Machines of two and three cards, through all plugins: what one card's columns hold, and what is touched."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.card import CardChoiceError
from harness.plan.load import parse_plan
from harness.plugins import PluginHost, PluginRig
from harness.rig import Channel
from harness.telemetry import Sampler
from harness.testing import FakeClock
from harness_plugins.hwmon import sysfs
from harness_plugins.nvml import card as card_module
from tests.machine import amd, intel, processors
from tests.machine.nvidia import Driver, State
from tests.machine.tree import Tree

RED, RED_TOO, APU, BLUE, GREEN = (
    "0000:03:00.0", "0000:07:00.0", "0000:0c:00.0", "0000:05:00.0", "0000:01:00.0"
)  # fmt: skip
CARD_QUANTITIES = {
    "power_w", "power_average_w", "energy_j", "core_temp_c", "hotspot_temp_c", "memory_temp_c",
    "core_clock_mhz", "memory_clock_mhz", "core_voltage_mv", "fan_pct", "fan_rpm", "gpu_load_pct",
    "gpu_memory_used_mib", "limit_reasons", "power_limit_w", "foreign_gpu_processes", "driver_errors",
    "driver_error_code",
}  # fmt: skip
PLAN = """
[plan]
question = "Is it as fast?"
repeats = 1
reference = "factory"
allow_hardware_changes = true
{rig}
[[profiles]]
name = "factory"
[[titles]]
name = "salt-road"
workload = "scene"
scene = "slow-tide"
measure_s = 20
"""

Build = Callable[..., None]


@pytest.fixture
def build(tree: Tree, monkeypatch: pytest.MonkeyPatch) -> Build:
    """Puts a machine together: kernel's devices, and NVIDIA cards by a fake library."""
    monkeypatch.setattr(sysfs, "ROOT", tree.root)
    monkeypatch.setattr("harness_plugins.nvml.library_is_here", lambda: False)

    def put(*devices: Any, nvidia: Driver | None = None) -> None:
        for device in devices:
            tree.add(device)
        if nvidia is not None:
            cards = nvidia.opened()
            monkeypatch.setattr("harness_plugins.nvml.library_is_here", lambda: True)
            monkeypatch.setattr(card_module, "_cards", {card.uuid: card for card in cards})
            monkeypatch.setattr(card_module, "installed_cards", lambda: cards)

    return put


def rig_with(word: str = "") -> PluginRig:
    rig = f'[rig]\ncard = "{word}"' if word else ""
    host = PluginHost()
    return PluginRig(host, parse_plan(PLAN.format(rig=rig), "plan.toml", host.kinds), FakeClock())


def channels_of(rig: PluginRig) -> dict[str, Channel]:
    sampler = Sampler(rig.open_sensors(), rig.clock, 0.1, sensor_tries=3, on_event=lambda *_: None)
    sampler.close()
    return {quantity: channel for quantity, (_, channel) in sampler.channels.items()}


#: Name -> (devices, NVIDIA cards, address of each card that may be meant).
MACHINES: dict[str, tuple[list[Any], list[State], list[str]]] = {
    "NVIDIA and a processor's graphics": (
        [amd.Card("rembrandt", APU, 1), processors.zen(2)],
        [State("GPU-first")],
        [GREEN],
    ),
    "Intel and a processor's graphics": (
        [intel.Card("battlemage", "xe"), amd.Card("rembrandt", APU, 1)],
        [],
        [BLUE],
    ),
    "AMD and Intel's processor's graphics": (
        [amd.Card("navi31", RED), intel.Card("tigerlake", "i915", address="0000:00:02.0", number=1)],
        [],
        [RED],
    ),
    "two AMD": ([amd.Card("navi31", RED, 3), amd.Card("navi21", RED_TOO, 7)], [], [RED, RED_TOO]),
    "two NVIDIA": ([], [State("GPU-first"), State("GPU-second", "0000:41:00.0")], [GREEN, "0000:41:00.0"]),
    "NVIDIA, AMD and Intel": (
        [amd.Card("navi31", RED, 3), intel.Card("alchemist", "i915")],
        [State("GPU-first")],
        [GREEN, RED, BLUE],
    ),
}


@pytest.mark.parametrize("machine", MACHINES)
def test_every_reading_of_a_card_is_of_the_card_of_the_plan_and_of_no_other(build, machine):
    devices, nvidia, addresses = MACHINES[machine]
    build(*devices, nvidia=Driver(*nvidia) if nvidia else None)
    if len(addresses) == 1:
        chosen = rig_with().card()
        assert chosen is not None
        assert chosen.address == addresses[0]
    else:
        rig = rig_with()
        with pytest.raises(CardChoiceError) as caught:
            rig.card()
        assert all(f'card = "{address}"' in caught.value.remedy for address in addresses)
    for address in addresses:
        rig = rig_with(address)
        channels = channels_of(rig)
        seen = {quantity for quantity in channels if quantity in CARD_QUANTITIES}
        assert "core_clock_mhz" in seen
        assert {channels[quantity].device for quantity in seen} == {address}
        assert all(not channel.device for q, channel in channels.items() if q not in CARD_QUANTITIES)
        assert rig.facts().facts["card"]["pci_address"] == address


def test_a_processors_graphics_beside_a_card_can_be_named_and_are_then_the_card(build):
    devices, nvidia, _ = MACHINES["NVIDIA and a processor's graphics"]
    build(*devices, nvidia=Driver(*nvidia))
    rig = rig_with(APU)
    card = rig.card()
    assert card is not None
    assert card.integrated
    assert {c.device for q, c in channels_of(rig).items() if q in CARD_QUANTITIES} == {APU}
    assert "cpu_temp_c" in channels_of(rig)  # the processor's own sensor stays the machine's


def test_a_control_changes_the_plans_card_alone_on_a_machine_of_three(build, tree):
    driver = Driver(first := State("GPU-first"), other := State("GPU-other", "0000:41:00.0"))
    build(amd.Card("navi31", RED, 3), intel.Card("battlemage", "xe"), nvidia=driver)
    text = PLAN.format(rig='[rig]\ncard = "GPU-first"') + (
        '[[profiles]]\nname = "quiet"\ncontrol = "nvml"\npower_limit_w = 200\n'
    )
    host = PluginHost()
    rig = PluginRig(host, parse_plan(text, "plan.toml", host.kinds), FakeClock())
    control, profile = rig.open_control("nvml"), rig._plan.profiles[1]
    inner: Any = control._control  # type: ignore[attr-defined]
    inner._privileged, inner._find_cards = lambda: True, card_module.installed_cards
    snapshot = control.snapshot()
    control.apply(profile)
    assert first.limit_mw == 200_000
    assert rig.open_control("factory").check(rig._plan.profiles[0]) != []  # this card is tuned now
    control.restore(snapshot)
    assert (other.log, tree.writes) == ([], [])
    other.limit_mw = 250_000
    assert rig.open_control("factory").check(rig._plan.profiles[0]) == []  # another one is nobody's matter
