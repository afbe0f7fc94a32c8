"""Sensor ``hwmon``: cards, processor and board through the kernel's own monitoring files (Linux)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from harness.card import GraphicsCard
from harness.clock import Clock
from harness.hookspecs import Finding, Kind, hookimpl
from harness.plan.schema import SensorSpec
from harness.rig import Sensor
from harness_plugins.hwmon.cards import CARD_DRIVERS
from harness_plugins.hwmon.sensor import HwmonOptions


@hookimpl
def kinds() -> Sequence[Kind]:
    summary = "AMD and Intel cards, processor and board temperatures, fans"
    return [Kind("sensor", "hwmon", summary, HwmonOptions, card_keys=("card",))]


@hookimpl
def graphics_cards() -> Sequence[GraphicsCard]:
    from harness_plugins.hwmon.graphics import find_graphics

    return [card.as_card() for card in find_graphics()]


@hookimpl
def open_sensors(clock: Clock, specs: Sequence[SensorSpec], card: GraphicsCard | None) -> Sequence[Sensor]:
    from harness_plugins.hwmon.sensor import open_hwmon

    own = [HwmonOptions.model_validate(spec.options) for spec in specs if spec.kind == "hwmon"]
    address = card.address if card is not None and card.driver in CARD_DRIVERS else None
    return [s for options in own or [HwmonOptions()] for s in open_hwmon(clock, options, address)]


@hookimpl
def rig_facts(card: GraphicsCard | None) -> dict[str, dict[str, Any]]:
    from harness_plugins.hwmon.facts import card_facts

    if card is None or card.driver not in CARD_DRIVERS:
        return {}
    return {"card": card_facts(card)}


@hookimpl
def examine(clock: Clock) -> Sequence[Finding]:
    from harness_plugins.hwmon import sysfs
    from harness_plugins.hwmon.doctor import examine_hwmon

    return examine_hwmon(sysfs.ROOT)
