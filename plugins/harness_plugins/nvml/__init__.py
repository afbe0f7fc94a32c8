"""Sensor and control ``nvml``: NVIDIA cards, through the driver's own management library."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any, TypeVar

from harness.clock import Clock
from harness.hookspecs import Finding, Kind, Tuning, hookimpl
from harness.plan.schema import SensorSpec
from harness.rig import Control, Sensor
from harness_plugins.nvml.codes import CallFailed
from harness_plugins.nvml.options import NvmlProfile, NvmlSensorOptions

if TYPE_CHECKING:
    from harness_plugins.nvml.card import Card

T = TypeVar("T")


@hookimpl
def kinds() -> Sequence[Kind]:
    return [
        Kind("sensor", "nvml", "what an NVIDIA card reports of itself", NvmlSensorOptions),
        Kind(
            "control",
            "nvml",
            "power limit, clock ceilings and clock offsets of an NVIDIA card",
            NvmlProfile,
            changes_hardware=True,
        ),
    ]


@hookimpl
def open_sensors(clock: Clock, specs: Sequence[SensorSpec]) -> Sequence[Sensor]:
    from harness_plugins.nvml.card import installed_card
    from harness_plugins.nvml.sensor import NvmlSensor

    chosen = [NvmlSensorOptions.model_validate(s.options) for s in specs if s.kind == "nvml"]
    sensors: list[Sensor] = []
    for options in chosen or [NvmlSensorOptions()]:
        try:
            sensors.append(NvmlSensor(installed_card(options.card_index)))
        except CallFailed:
            continue  # `levelrig doctor` says why
    return sensors


@hookimpl
def open_control(kind: str, clock: Clock) -> Control | None:
    from harness_plugins.nvml.control import NvmlControl

    return NvmlControl() if kind == "nvml" else None


@hookimpl
def tunings() -> Sequence[Tuning]:
    return [tuning for card in _cards() for tuning in _quietly(partial(_tuning, card))]


@hookimpl
def factory_deviations() -> Sequence[str]:
    return [sentence for card in _cards() for sentence in _quietly(card.deviations)]


@hookimpl
def rig_facts() -> dict[str, dict[str, Any]]:
    cards = _cards()
    if not cards:
        return {}
    facts = {"card": cards[0].facts()}
    for card in cards[1:]:
        facts[f"card_{card.index}"] = card.facts()
    return facts


@hookimpl
def examine(clock: Clock) -> Sequence[Finding]:
    from harness_plugins.nvml.card import installed_card
    from harness_plugins.nvml.doctor import card_findings, no_card_finding

    try:
        installed_card()
    except CallFailed as error:
        return [no_card_finding(error)]
    return [finding for card in _cards() for finding in card_findings(card)]


def _tuning(card: Card) -> list[Tuning]:
    from harness_plugins.nvml.ranges import tuning_of

    return [tuning_of(card)]


def _cards() -> list[Card]:
    """Every card of this machine; empty without a driver."""
    from harness_plugins.nvml.card import installed_card

    try:
        first = installed_card()
        return [first, *(installed_card(i) for i in range(1, first.library.count()))]
    except CallFailed:
        return []


def _quietly(look: Callable[[], Sequence[T]]) -> list[T]:
    try:
        return list(look())
    except CallFailed:
        return []
