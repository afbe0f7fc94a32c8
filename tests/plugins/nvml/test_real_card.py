"""On a real NVIDIA card: who it is, what is asked before a night, and that a short load shows its clock.

    pytest tests/plugins/nvml/test_real_card.py -m card -s

Reads only; the short load is one thread of the card for two seconds. Without a card all of it is skipped.
"""

from __future__ import annotations

import pytest

from harness.plan.schema import ProfileSpec
from harness.plugins import PluginHost
from harness_plugins.nvml import proof
from harness_plugins.nvml.control import NvmlControl
from harness_plugins.nvml.here import library_is_here
from harness_plugins.nvml.library import GRAPHICS_CLOCK

pytestmark = pytest.mark.card


@pytest.fixture(scope="module")
def cards():
    if not library_is_here():
        pytest.skip("no NVIDIA driver")
    from harness_plugins.nvml.card import installed_cards
    from harness_plugins.nvml.codes import CallFailed

    try:
        return installed_cards()
    except CallFailed as error:
        pytest.skip(str(error))


def test_each_card_is_known_by_uuid_and_address_the_same_to_every_plugin(cards):
    seen = {card.identity: card for card in PluginHost().graphics_cards() if card.driver == "nvml"}
    assert seen.keys() == {card.uuid for card in cards}
    for card in cards:
        print(card.as_card(), card.uuid, card.as_card().pci_id)
        assert card.address
        assert seen[card.uuid].pci_id is not None
        handle = card.library.card_by_uuid(card.uuid)
        assert card.library.bus_id(handle) == card.library.bus_id(card.handle)


def test_what_the_driver_does_not_take_is_refused_before_a_night_and_nothing_is_written(cards):
    card = cards[0]
    before = card.deviations()
    control = NvmlControl(lambda: [card], lambda: True, card.as_card())
    limits = card.ask("power_limit_range_mw")
    refused = {
        "core_clock_ceiling_mhz": 99_999,
        "memory_clock_ceiling_mhz": 99_999,
        "core_clock_offset_mhz": 99_999,
    }
    refused |= {"power_limit_w": limits[1] / 1000 + 1} if limits else {}
    for key, value in refused.items():
        problems = control.check(ProfileSpec(name="odd", control="nvml", options={key: value}))
        print(key, [str(problem) for problem in problems])
        assert problems
    assert card.deviations() == before


def test_a_short_load_shows_the_clock_that_the_card_reaches(cards):
    card = cards[0]
    idle_mhz = card.ask("clock_mhz", GRAPHICS_CLOCK)
    try:
        seen = proof.clocks_under_load(card, proof.short_load)
    except proof.NoLoad as error:
        pytest.skip(f"no short load here: {error}")
    highest_mhz = card.ask("highest_clock_mhz", GRAPHICS_CLOCK)
    print(f"idle {idle_mhz} MHz, under a short load {seen}, highest {highest_mhz} MHz")
    core_mhz = seen.mhz["core_clock_under_load_mhz"]
    assert idle_mhz <= core_mhz <= highest_mhz
    again = proof.clocks_under_load(card, proof.short_load)
    assert proof.judged(dict(seen.mhz), again, [core_mhz / 2]) == ([], [])


def test_scenes_find_the_plans_card_among_the_adapters(cards):
    pytest.importorskip("wgpu")
    from harness_plugins.scene.gpu_device import describe_adapter, find_adapters, pick_adapter

    adapters = find_adapters()
    vendor_device = "{:04x}:{:04x}".format(*cards[0].as_card().pci_id)
    print([describe_adapter(adapter) for adapter in adapters], vendor_device)
    if not any(adapter.info.get("vendor_id") == 0x10DE for adapter in adapters):
        pytest.skip("the card's Vulkan driver is not installed")
    if len(cards) == 1:
        assert pick_adapter(adapters, None, vendor_device).info["vendor_id"] == 0x10DE
