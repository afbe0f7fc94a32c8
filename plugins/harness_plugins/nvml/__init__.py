"""Sensor and control ``nvml``: NVIDIA cards, through the driver's own management library."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any, TypeVar

from harness.card import GraphicsCard
from harness.clock import Clock
from harness.hookspecs import Finding, Kind, Tuning, hookimpl
from harness.plan.schema import SensorSpec
from harness.rig import Control, Sensor
from harness_plugins.nvml.codes import CallFailed
from harness_plugins.nvml.here import library_is_here
from harness_plugins.nvml.options import NvmlProfile, NvmlSensorOptions

if TYPE_CHECKING:
    from harness.power_sensor.seam import PowerSource
    from harness_plugins.nvml.card import Card

T = TypeVar("T")


@hookimpl
def kinds() -> Sequence[Kind]:
    return [
        Kind(
            "sensor",
            "nvml",
            "what an NVIDIA card reports of itself",
            NvmlSensorOptions,
            card_keys=("card", "card_index"),
        ),
        Kind(
            "control",
            "nvml",
            "power limit, clock ceilings and clock offsets of an NVIDIA card",
            NvmlProfile,
            changes_hardware=True,
            card_keys=("card", "card_index"),
        ),
    ]


@hookimpl
def graphics_cards() -> Sequence[GraphicsCard]:
    return [card.as_card() for card in _cards()]


@hookimpl
def open_sensors(clock: Clock, specs: Sequence[SensorSpec], card: GraphicsCard | None) -> Sequence[Sensor]:
    if card is None or card.driver != "nvml":
        return []
    from harness_plugins.nvml.card import installed_card
    from harness_plugins.nvml.sensor import NvmlSensor

    try:
        return [NvmlSensor(installed_card(card.identity))]
    except CallFailed:
        return []  # `levelrig doctor` says why


@hookimpl
def power_sources(clock: Clock, card: GraphicsCard) -> Sequence[PowerSource]:
    if card.driver != "nvml":
        return []
    from harness_plugins.nvml.card import installed_card
    from harness_plugins.nvml.power_sources import power_sources_of

    try:
        return power_sources_of(installed_card(card.identity))
    except CallFailed:
        return []


@hookimpl
def open_control(kind: str, clock: Clock, card: GraphicsCard | None) -> Control | None:
    if kind != "nvml":
        return None
    from harness_plugins.nvml.control import NvmlControl

    return NvmlControl(card=card)


@hookimpl
def tunings() -> Sequence[Tuning]:
    return [tuning for card in _cards() for tuning in _quietly(partial(_tuning, card))]


@hookimpl
def factory_deviations(card: GraphicsCard | None) -> Sequence[str]:
    wanted = [one for one in _cards() if card is None or one.uuid == card.identity]
    return [sentence for one in wanted for sentence in _quietly(one.deviations)]


@hookimpl
def rig_facts(card: GraphicsCard | None) -> dict[str, dict[str, Any]]:
    facts: dict[str, dict[str, Any]] = {}
    others = 0
    for one in _cards():
        if card is not None and one.uuid == card.identity:
            facts["card"] = one.facts()
        else:
            others += 1
            facts[f"other_card_{others}"] = one.facts()
    return facts


@hookimpl
def examine(clock: Clock) -> Sequence[Finding]:
    from harness_plugins.nvml.card import installed_cards
    from harness_plugins.nvml.doctor import card_findings, no_card_finding

    try:
        cards = installed_cards()
    except CallFailed as error:
        return [no_card_finding(error)]
    return [finding for card in cards for finding in card_findings(card)]


def _tuning(card: Card) -> list[Tuning]:
    from harness_plugins.nvml.ranges import tuning_of

    return [tuning_of(card)]


def _cards() -> Sequence[Card]:
    """Every card of this machine; empty without a driver."""
    if not library_is_here():  # cheap; the library's wrapper takes its time to load
        return []
    from harness_plugins.nvml.card import installed_cards

    try:
        return installed_cards()
    except CallFailed:
        return []


def _quietly(look: Callable[[], Sequence[T]]) -> list[T]:
    try:
        return list(look())
    except CallFailed:
        return []
