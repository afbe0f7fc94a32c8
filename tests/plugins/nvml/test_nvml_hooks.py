"""The plugin's hooks: on a machine without a driver they have nothing to offer and never raise."""

from __future__ import annotations

import pytest

import harness_plugins.nvml as plugin
from harness.clock import SystemClock
from harness.doctor import examine
from harness.plan.schema import SensorSpec
from harness.plugins import PluginHost
from harness_plugins.nvml import card as card_module
from harness_plugins.nvml.codes import CallFailed


@pytest.fixture
def without_driver(monkeypatch):
    def absent():
        raise CallFailed("nvmlInitWithFlags", 12)

    monkeypatch.setattr(card_module, "installed_cards", absent)


@pytest.fixture
def with_card(monkeypatch, card):
    monkeypatch.setattr(plugin, "library_is_here", lambda: True)
    monkeypatch.setattr(card_module, "installed_cards", lambda: [card])


@pytest.mark.usefixtures("without_driver")
def test_without_a_driver_there_is_no_sensor_no_fact_and_one_finding():
    assert plugin.graphics_cards() == []
    assert plugin.open_sensors(SystemClock(), [], None) == []
    assert plugin.rig_facts(None) == {}
    assert plugin.factory_deviations(None) == []
    findings = plugin.examine(SystemClock())
    assert [(f.state, f.detail) for f in findings] == [("absent", "the driver's library is not installed")]


@pytest.mark.usefixtures("with_card")
def test_with_a_card_doctor_names_it_its_ranges_and_each_quantity_with_its_cost(card):
    host = PluginHost({"nvml": plugin})
    findings = {finding.subject: finding for finding in examine(host, watch_s=0.1)}
    assert "H100" in findings[str(card)].detail
    assert "H100" in findings["the card of a plan"].detail
    assert findings[f"{card} power limit"].detail == "200 to 700 W, now 700 W, factory 700 W"
    assert findings[f"{card} core clock offset"].state == "absent"
    assert findings[f"{card} hotspot_temp_c"].state == "absent"
    assert f"{card} memory_temp_c" not in findings  # this one tells it
    assert findings["nvml core_temp_c"].measured["read_us"] > 0
    assert findings["control nvml"].state == "ok"
    assert plugin.rig_facts(card.as_card())["card"]["driver_version"] == "580.159.04"


@pytest.mark.usefixtures("with_card")
def test_a_sensor_for_another_sensors_specification_is_still_the_plans_card(card):
    sensors = plugin.open_sensors(SystemClock(), [SensorSpec(kind="stream")], card.as_card())
    assert [sensor.name for sensor in sensors] == ["nvml"]
    assert {channel.device for channel in sensors[0].channels()} == {card.device}
    sensors[0].close()


def test_a_card_is_opened_once_per_process(monkeypatch, card):
    opened = []
    monkeypatch.setattr(card_module, "_cards", {})
    monkeypatch.setattr(card_module, "_library", card.library)
    monkeypatch.setattr(card.library, "count", lambda: 1)
    monkeypatch.setattr(card_module, "Card", lambda library, index: opened.append(index) or card)
    assert card_module.installed_card() is card_module.installed_card(card.uuid)
    assert opened == [0]
