"""Control ``nvml`` on machines of one and two cards: which is touched, what is proven, what is refused."""

from __future__ import annotations

import contextlib
import dataclasses
import functools
from collections.abc import Iterator

import pytest

from harness.errors import ControlRefused, NotInForce, RestoreUnproven
from harness.plan.schema import ProfileSpec
from harness_plugins.nvml import card as card_module
from harness_plugins.nvml import proof
from harness_plugins.nvml.card import Card
from harness_plugins.nvml.control import NvmlControl
from harness_plugins.nvml.doctor import card_findings
from harness_plugins.nvml.library import Library
from harness_plugins.nvml.sensor import NvmlSensor
from tests.machine.nvidia import FACTORY, Driver, State


def profile(**options: object) -> ProfileSpec:
    return ProfileSpec(name="quiet", control="nvml", options=options)


QUIET = profile(power_limit_w=220, core_clock_ceiling_mhz=1500, core_clock_offset_mhz=120)


class Loads:
    """Short loads that are only counted."""

    def __init__(self) -> None:
        self.made: list[str] = []
        self.refuse = ""

    @contextlib.contextmanager
    def __call__(self, card: Card) -> Iterator[None]:
        if self.refuse:
            raise proof.NoLoad(self.refuse)
        self.made.append(card.uuid)
        yield


@pytest.fixture(autouse=True)
def no_waiting(monkeypatch):
    looked = functools.partial(proof.clocks_under_load, sleep_s=lambda seconds: None)
    monkeypatch.setattr(proof, "clocks_under_load", looked)


@pytest.fixture
def two():
    return State("GPU-first"), State("GPU-second", "0000:41:00.0")


def control_of(driver: Driver, number: int = 0, loads: Loads | None = None) -> NvmlControl:
    cards = driver.opened()
    chosen = cards[number].as_card()
    return NvmlControl(lambda: cards, lambda: True, chosen, loads or Loads())


def test_a_profile_and_its_restore_touch_the_plans_card_alone(two):
    first, second = two
    second.limit_mw, second.core_lock, second.offsets = 250_000, (210, 1800), {0: 60, 2: 0}
    theirs = second.settings()
    control = control_of(Driver(first, second))
    assert control.check(QUIET) == []
    snapshot = control.snapshot()
    assert list(snapshot["cards"]) == ["GPU-first"]
    control.apply(QUIET)
    control.read_back(QUIET)
    assert first.settings() == (220_000, (210, 1500), None, 120, 0)
    first.faults["nvmlDeviceSetClockOffsets"] = 4
    with pytest.raises(ControlRefused):
        control.apply(QUIET)  # what is put back after a refusal is this card's
    first.faults.clear()
    control.restore(snapshot)
    assert first.settings() == FACTORY
    assert (second.settings(), second.log) == (theirs, [])


def test_a_restore_by_another_process_goes_by_the_uuid_whatever_the_order_is_by_then(two):
    first, second = two
    driver = Driver(first, second)
    control = control_of(driver)
    control.check(QUIET)
    snapshot = control.snapshot()
    control.apply(QUIET)
    driver.cards.reverse()
    second.log.clear()
    after = NvmlControl(driver.opened, lambda: True, None, Loads())
    after.restore(snapshot)
    assert first.settings() == FACTORY
    assert second.log == []


def test_without_a_record_several_cards_are_left_alone_and_those_that_differ_are_named(two):
    first, second = two
    driver = Driver(first, second)
    restore = NvmlControl(driver.opened, lambda: True).restore
    restore({})
    second.limit_mw = 250_000
    with pytest.raises(ControlRefused, match=r"card 0000:41:00.0: power limit is 250 W.*not touched.*--card"):
        restore({})
    assert first.log == second.log == []
    control_of(driver, 1).restore({})  # the person names the card
    assert second.settings() == FACTORY
    assert first.log == []


def test_a_snapshot_of_an_earlier_version_which_names_cards_by_number_is_still_restored():
    card = State("GPU-first", limit_mw=220_000)
    NvmlControl(Driver(card).opened, lambda: True).restore(
        {"cards": {"0": {"uuid": "GPU-first", "power_limit_w": 280.0, "core_clock_offset_mhz": 0}}}
    )
    assert card.limit_mw == 280_000


def test_a_ceiling_is_proven_off_by_the_clock_under_a_short_load_as_it_was_before_the_first_change():
    card, loads = State("GPU-first"), Loads()
    control = control_of(Driver(card), loads=loads)
    control.check(QUIET)
    snapshot = control.snapshot()
    assert snapshot["cards"]["GPU-first"]["core_clock_under_load_mhz"] == 2100
    control.apply(QUIET)
    control.snapshot()  # the next profile's: what was found is not looked at again
    assert loads.made == ["GPU-first"]
    control.restore(snapshot)
    assert loads.made == ["GPU-first"] * 2
    control.apply(QUIET)
    card.deaf.add("nvmlDeviceResetGpuLockedClocks")  # says yes, does nothing
    with pytest.raises(ControlRefused, match=r"reaches 1500 MHz under a short load, 2100 MHz before.*still"):
        control.restore(snapshot)


@pytest.mark.parametrize(
    ("lock", "reasons", "refuse", "message"),
    [
        ((210, 1800), 0, "", "reaches 1800 MHz under a short load, 2100 MHz before the first change"),
        ((210, 1500), 0x4, "", "holds it down for power or temperature"),
        (None, 0, "libcuda.so.1 can't be loaded", "no short load can prove it: libcuda.so.1"),
    ],
)
def test_what_a_short_load_can_not_prove_is_called_unproven_not_restored(lock, reasons, refuse, message):
    card, loads = State("GPU-first"), Loads()
    control = control_of(Driver(card), loads=loads)
    control.check(QUIET)
    snapshot = control.snapshot()
    control.apply(QUIET)
    card.core_lock, card.reasons, loads.refuse = lock, reasons, refuse
    card.deaf.add("nvmlDeviceResetGpuLockedClocks")
    with pytest.raises(RestoreUnproven, match=message):
        control.restore(snapshot)


def test_a_plan_without_ceilings_needs_no_load():
    loads = Loads()
    control = control_of(Driver(State("GPU-first")), loads=loads)
    limit_only = profile(power_limit_w=220)
    control.check(limit_only)
    snapshot = control.snapshot()
    control.apply(limit_only)
    control.restore(snapshot)
    assert loads.made == []


@pytest.mark.parametrize(
    ("generation", "options", "refused"),
    [
        # NVML API reference: locked clocks Volta on, offsets Maxwell on; memory's lock: from memory.
        (4, {"core_clock_ceiling_mhz": 1500}, "only cards from Volta on"),
        (5, {"core_clock_ceiling_mhz": 1500}, ""),
        (6, {"memory_clock_ceiling_mhz": 5001}, "only cards from Ampere on"),
        (7, {"memory_clock_ceiling_mhz": 5001}, ""),
        (2, {"core_clock_offset_mhz": 30}, "only cards from Maxwell on"),
        (3, {"core_clock_offset_mhz": 30}, ""),
        (2, {"power_limit_w": 220}, ""),
        (0xFFFFFFFF, {"core_clock_ceiling_mhz": 1500}, ""),  # one that the library does not know
    ],
)
def test_what_needs_a_later_generation_is_refused_before_the_night(generation, options, refused):
    control = control_of(Driver(State("GPU-first", generation=generation)))
    problems = control.check(profile(**options))
    assert [refused in p.what for p in problems] == ([True] if refused else [])


@pytest.mark.parametrize(
    ("state", "words"),
    [
        ({"divided": True}, "divided into instances (MIG)"),
        ({"virtualization": 2}, "a share of a card (vGPU)"),
        ({"virtualization": 3}, "given to virtual machines (vGPU)"),
        ({"virtualization": 1}, ""),  # handed through whole: this machine's own
    ],
)
def test_a_card_that_is_shared_or_divided_is_not_tuned(state, words):
    card = dataclasses.replace(State("GPU-first"), **state)
    problems = control_of(Driver(card)).check(QUIET)
    assert [words in problem.what for problem in problems] == ([True] if words else [])
    assert card.log == []


def test_settings_that_a_reset_took_are_found_gone_through_the_dead_handle_and_put_back():
    card = State("GPU-first")
    control = control_of(Driver(card))
    control.check(QUIET)
    snapshot = control.snapshot()
    control.apply(QUIET)
    card.reset()
    with pytest.raises(NotInForce) as caught:
        control.read_back(QUIET)
    assert [d.at_factory for d in caught.value.differences] == [True, True]
    card.lost = True
    control.apply(QUIET)
    assert control.read_back(QUIET)["power_limit_w"] == 220
    card.lost = True
    control.restore(snapshot)
    assert card.settings() == FACTORY


def test_what_another_program_set_is_named_by_value():
    card = State("GPU-first")
    control = control_of(Driver(card))
    control.apply(QUIET)
    card.limit_mw = 250_000
    with pytest.raises(NotInForce) as caught:
        control.read_back(QUIET)
    assert [str(d) for d in caught.value.differences] == ["power limit 220 W → 250 W"]
    assert not caught.value.differences[0].at_factory


def test_fans_are_called_intended_and_what_a_consumer_card_does_not_tell_is_named_by_doctor():
    (card,) = Driver(State("GPU-first")).opened()
    notes = {channel.quantity: channel.note for channel in NvmlSensor(card).channels()}
    assert notes["fan_rpm"] == notes["fan_pct"] == "the speed that the driver intends, not a measured one"
    assert notes["core_temp_c"] == ""
    absent = {f.subject: f.detail for f in card_findings(card) if f.state == "absent"}
    assert "sensor `stream`" in absent["card 0000:01:00.0 hotspot_temp_c"]
    assert "data-centre cards" in absent["card 0000:01:00.0 memory_temp_c"]
    (other,) = Driver(State("GPU-first", memory_temp_c=60)).opened()
    assert "card 0000:01:00.0 memory_temp_c" not in {f.subject for f in card_findings(other)}


def test_the_driver_is_opened_once_and_anew_only_after_a_loss_which_all_cards_survive(monkeypatch, two):
    first, second = two
    driver = Driver(first, second)
    calls: list[str] = []

    def counted(name):
        def call(*arguments):
            if name in ("nvmlInitWithFlags", "nvmlShutdown"):
                calls.append(name)
            return driver(name)(*arguments)

        return call

    monkeypatch.setattr(card_module, "_library", Library(counted))
    monkeypatch.setattr(card_module, "_cards", {})
    for _ in range(3):
        assert [card.uuid for card in card_module.installed_cards()] == ["GPU-first", "GPU-second"]
    assert calls == ["nvmlInitWithFlags"]
    mine, other = card_module.installed_cards()
    first.reset()
    driver.cards.reverse()
    assert mine.answered(lambda: mine.ask("power_limit_mw")) == 300_000
    assert calls == ["nvmlInitWithFlags", "nvmlShutdown", "nvmlInitWithFlags"]  # its last hold was let go
    assert other.library.uuid(other.handle) == "GPU-second"
    assert [card.uuid for card in card_module.installed_cards()] == ["GPU-second", "GPU-first"]
    first.lost = second.lost = True
    assert {card.uuid for card in card_module.installed_cards()} == {"GPU-first", "GPU-second"}


@pytest.mark.parametrize(
    "planted",
    [
        {"ceilings_mhz": "1500", "core_clock_under_load_mhz": "fast"},
        {"ceilings_mhz": [None, "1500", True], "core_clock_under_load_mhz": None},
        {"ceilings_mhz": {}, "memory_clock_under_load_mhz": []},
    ],
)
def test_a_spoilt_record_of_ceilings_still_puts_the_card_back(planted):
    card = State("GPU-first")
    control = control_of(Driver(card))
    control.apply(QUIET)
    control.restore({"cards": {"GPU-first": {"uuid": "GPU-first", **planted}}})
    assert card.settings() == FACTORY


@pytest.mark.parametrize("cards", [None, [], "all", {"0": "GPU-first"}, {"0": {"uuid": 3}}])
def test_a_record_without_usable_cards_means_the_plans_card(cards):
    card = State("GPU-first")
    control = control_of(Driver(card))
    control.apply(QUIET)
    control.restore({"cards": cards})
    assert card.settings() == FACTORY
