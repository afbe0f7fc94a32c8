"""Control ``nvml`` against a card whose settings live in a table, and against the recorded card."""

from __future__ import annotations

from typing import Any

import pytest

from harness.errors import ControlRefused
from harness.plan.schema import ProfileSpec
from harness_plugins.nvml.card import Card
from harness_plugins.nvml.control import NvmlControl
from harness_plugins.nvml.library import Library
from harness_plugins.nvml.recording import Replay


class TunableDriver:
    """A driver of a consumer card: 100 to 320 W, 210 to 2100 MHz, offsets; remembers what it was told."""

    def __init__(self) -> None:
        self.limit_mw, self.core_lock, self.memory_lock = 300_000, None, None
        self.offsets = {0: 0, 2: 0}
        self.log: list[str] = []
        self.faults: dict[str, int] = {}
        self.deaf: set[str] = set()

    def __call__(self, name: str):
        def call(*arguments: Any) -> int:
            if "Set" in name or "Reset" in name:
                self.log.append(name)
            if name in self.faults:
                return self.faults[name]
            method = getattr(self, name, None)
            if method is None:
                return 3
            return 0 if name in self.deaf and "Set" in name else method(*arguments) or 0

        return call

    def nvmlInitWithFlags(self, flags): ...

    def nvmlDeviceGetHandleByIndex_v2(self, index, handle): ...

    def nvmlDeviceGetHandleByUUID(self, uuid, handle): ...

    def nvmlDeviceGetCount_v2(self, out):
        out._obj.value = 1

    def nvmlDeviceGetUUID(self, card, buffer, size):
        buffer.value = b"GPU-invented"

    def nvmlDeviceGetPowerManagementLimit(self, card, out):
        out._obj.value = self.limit_mw

    def nvmlDeviceGetEnforcedPowerLimit(self, card, out):
        out._obj.value = self.limit_mw

    def nvmlDeviceGetPowerManagementDefaultLimit(self, card, out):
        out._obj.value = 300_000

    def nvmlDeviceGetPowerManagementLimitConstraints(self, card, least, most):
        least._obj.value, most._obj.value = 100_000, 320_000

    def nvmlDeviceSetPowerManagementLimit(self, card, limit):
        self.limit_mw = limit.value

    def nvmlDeviceGetClockOffsets(self, card, info):
        info._obj.clockOffsetMHz = self.offsets[info._obj.type]
        info._obj.minClockOffsetMHz, info._obj.maxClockOffsetMHz = -500, 500

    def nvmlDeviceSetClockOffsets(self, card, info):
        self.offsets[info._obj.type] = info._obj.clockOffsetMHz

    def nvmlDeviceGetSupportedMemoryClocks(self, card, count, buffer):
        return self._list(count, buffer, [9501, 5001])

    def nvmlDeviceGetSupportedGraphicsClocks(self, card, memory, count, buffer):
        return self._list(count, buffer, list(range(2100, 209, -15)))

    def _list(self, count, buffer, values):
        count._obj.value = len(values)
        if buffer is None:
            return 7
        buffer[: len(values)] = values
        return 0

    def nvmlDeviceSetGpuLockedClocks(self, card, least, most):
        self.core_lock = (least.value, most.value)

    def nvmlDeviceResetGpuLockedClocks(self, card):
        self.core_lock = None

    def nvmlDeviceSetMemoryLockedClocks(self, card, least, most):
        self.memory_lock = (least.value, most.value)

    def nvmlDeviceResetMemoryLockedClocks(self, card):
        self.memory_lock = None

    def state(self):
        return self.limit_mw, self.core_lock, self.memory_lock, self.offsets[0], self.offsets[2]


FACTORY = (300_000, None, None, 0, 0)


@pytest.fixture
def driver() -> TunableDriver:
    return TunableDriver()


@pytest.fixture
def control(driver: TunableDriver) -> NvmlControl:
    card = Card(Library(driver))
    return NvmlControl(lambda: [card], lambda: True)


def profile(**options: Any) -> ProfileSpec:
    return ProfileSpec(name="quiet", control="nvml", options=options)


QUIET = profile(power_limit_w=220, core_clock_ceiling_mhz=1905, core_clock_offset_mhz=120)


def test_a_profile_is_applied_read_back_and_restored(control, driver):
    snapshot = control.snapshot()
    control.apply(QUIET)
    assert driver.state() == (220_000, (210, 1905), None, 120, 0)
    found = control.read_back(QUIET)
    assert found["power_limit_w"] == found["enforced_power_limit_w"] == 220
    assert found["core_clock_offset_mhz"] == 120
    assert found["core_clock_ceiling_mhz"] == 1905
    control.restore(snapshot)
    assert driver.state() == FACTORY


def test_a_profile_is_applied_whole_so_that_nothing_of_the_one_before_stays(control, driver):
    control.apply(QUIET)
    control.apply(profile(memory_clock_ceiling_mhz=5001, memory_clock_offset_mhz=-200))
    assert driver.state() == (300_000, None, (5001, 5001), 0, -200)


@pytest.mark.parametrize(
    ("options", "key", "remedy"),
    [
        ({"power_limit_w": 99.9}, "power_limit_w", "100 to 320 W"),
        ({"power_limit_w": 321}, "power_limit_w", "100 to 320 W"),
        ({"core_clock_ceiling_mhz": 2115}, "core_clock_ceiling_mhz", "210 to 2100 MHz"),
        ({"core_clock_ceiling_mhz": 195}, "core_clock_ceiling_mhz", "210 to 2100 MHz"),
        ({"core_clock_floor_mhz": 900}, "core_clock_floor_mhz", "set both"),
        ({"core_clock_floor_mhz": 900, "core_clock_ceiling_mhz": 800}, "core_clock_floor_mhz", "set both"),
        ({"memory_clock_ceiling_mhz": 6000}, "memory_clock_ceiling_mhz", "5001, 9501"),
        ({"core_clock_offset_mhz": 501}, "core_clock_offset_mhz", "-500 to +500"),
        ({"memory_clock_offset_mhz": -501}, "memory_clock_offset_mhz", "-500 to +500"),
        ({}, "control", "factory"),
        ({"voltage_offset_mv": -50}, "voltage_offset_mv", "keys are"),
        ({"power_limit_w": "much"}, "power_limit_w", "keys are"),
    ],
)
def test_a_value_outside_the_drivers_range_is_refused_before_the_driver_is_asked(
    control, driver, options, key, remedy
):
    problems = control.check(profile(**options))
    assert [problem.where for problem in problems] == [f"profiles.quiet.{key}"]
    assert remedy in problems[0].remedy
    with pytest.raises(ControlRefused):
        control.apply(profile(**options))
    assert driver.log == []
    assert driver.state() == FACTORY


def test_without_privilege_the_plan_is_refused_before_the_night_with_what_to_grant(driver):
    card = Card(Library(driver))
    problems = NvmlControl(lambda: [card], lambda: False).check(QUIET)
    assert len(problems) == 1
    assert "privilege" in problems[0].what
    assert "root" in problems[0].remedy


@pytest.mark.parametrize(
    "function",
    [
        "nvmlDeviceSetPowerManagementLimit",
        "nvmlDeviceSetGpuLockedClocks",
        "nvmlDeviceSetMemoryLockedClocks",
        "nvmlDeviceSetClockOffsets",
    ],
)
def test_a_refusal_of_any_setter_surfaces_and_leaves_the_card_as_the_maker_set_it(control, driver, function):
    driver.faults[function] = 4
    everything = profile(
        power_limit_w=200,
        core_clock_ceiling_mhz=1500,
        memory_clock_ceiling_mhz=5001,
        core_clock_offset_mhz=30,
    )
    with pytest.raises(ControlRefused) as caught:
        control.apply(everything)
    assert "no permission" in str(caught.value)
    driver.faults.clear()
    control.restore({})
    assert driver.state() == FACTORY


@pytest.mark.parametrize(
    ("deaf", "key"),
    [
        ("nvmlDeviceSetPowerManagementLimit", "power_limit_w"),
        ("nvmlDeviceSetClockOffsets", "core_clock_offset_mhz"),
    ],
)
def test_a_setter_that_says_yes_and_does_nothing_is_found_out_when_read_back(control, driver, deaf, key):
    driver.deaf.add(deaf)
    control.apply(QUIET)
    with pytest.raises(ControlRefused, match=key):
        control.read_back(QUIET)


def test_a_limit_that_something_else_holds_higher_is_found_out(control, driver, monkeypatch):
    control.apply(QUIET)
    monkeypatch.setattr(
        driver, "nvmlDeviceGetEnforcedPowerLimit", lambda card, out: setattr(out._obj, "value", 300_000)
    )
    with pytest.raises(ControlRefused, match="limit in force is 300 W"):
        control.read_back(QUIET)


def test_a_driver_reset_in_the_night_is_found_out_when_read_back(control, driver):
    control.apply(QUIET)
    driver.limit_mw, driver.offsets = 300_000, {0: 0, 2: 0}
    with pytest.raises(ControlRefused, match="not in force"):
        control.read_back(QUIET)


def test_a_ceiling_which_has_no_getter_is_proved_by_the_clocks_under_load(control):
    assert control.verify_under_load(QUIET, {"core_clock_mhz": [2100] * 2 + [1905] * 8}, None) == []
    found = control.verify_under_load(QUIET, {"core_clock_mhz": [2050] * 10}, None)
    assert found == ["core_clock_mhz is 2050 under a ceiling of 1905"]
    assert control.verify_under_load(QUIET, {}, None) == []


def test_a_power_limit_is_proved_by_the_power_under_load(control):
    assert control.verify_under_load(QUIET, {"power_w": [80, 300] + [222] * 8}, None) == []
    assert "300 W" in control.verify_under_load(QUIET, {"power_w": [300] * 10}, None)[0]


def test_restore_goes_back_to_the_state_of_the_snapshot_not_further(control, driver):
    driver.limit_mw = 280_000
    snapshot = control.snapshot()
    control.apply(QUIET)
    control.restore(snapshot)
    assert driver.limit_mw == 280_000
    control.restore({})
    assert driver.state() == FACTORY


def test_restore_tries_everything_before_it_says_what_failed(control, driver):
    control.apply(QUIET)
    driver.faults |= {"nvmlDeviceSetClockOffsets": 4, "nvmlDeviceResetGpuLockedClocks": 999}
    with pytest.raises(ControlRefused) as caught:
        control.restore({})
    assert "core_clock_offset_mhz" in str(caught.value)
    assert "core clock ceiling" in str(caught.value)
    assert driver.limit_mw == 300_000


def test_restore_on_a_card_that_offers_no_ceilings_or_offsets_is_no_failure(control, driver):
    driver.limit_mw = 250_000
    driver.faults |= dict.fromkeys(
        ["nvmlDeviceResetGpuLockedClocks", "nvmlDeviceResetMemoryLockedClocks", "nvmlDeviceGetClockOffsets"],
        3,
    )
    control.restore({})
    assert driver.limit_mw == 300_000


@pytest.mark.parametrize(
    ("deaf", "said"),
    [
        ("nvmlDeviceSetPowerManagementLimit", "power limit is still 220 W"),
        ("nvmlDeviceSetClockOffsets", r"core_clock_offset_mhz is still \+120 MHz"),
    ],
)
def test_a_setter_that_does_nothing_counts_as_not_restored(control, driver, deaf, said):
    snapshot = control.snapshot()
    control.apply(QUIET)
    driver.deaf.add(deaf)
    for state in (snapshot, {}):
        with pytest.raises(ControlRefused, match=said):
            control.restore(state)


@pytest.mark.parametrize("code", [10, 15, 999])
@pytest.mark.parametrize(
    "getter",
    [
        "nvmlDeviceGetPowerManagementLimit",
        "nvmlDeviceGetPowerManagementDefaultLimit",
        "nvmlDeviceGetPowerManagementLimitConstraints",
        "nvmlDeviceGetClockOffsets",
    ],
)
def test_a_getter_that_fails_counts_as_not_restored(control, driver, getter, code):
    control.apply(QUIET)
    driver.faults[getter] = code
    with pytest.raises(ControlRefused, match="could not be put back"):
        control.restore({})
    driver.faults.clear()
    control.restore({})
    assert driver.state() == FACTORY


@pytest.mark.parametrize(
    "planted",
    [
        {"power_limit_w": 999.0},
        {"power_limit_w": 1.0},
        {"power_limit_w": "220"},
        {"power_limit_w": True},
        {"core_clock_offset_mhz": 5000},
        {"memory_clock_offset_mhz": -5000},
        {"core_clock_offset_mhz": "300"},
    ],
)
def test_a_planted_state_outside_the_drivers_range_is_never_set(control, driver, planted):
    control.apply(QUIET)
    control.restore({"cards": {"0": {"uuid": "GPU-invented", **planted}}})
    assert driver.state() == FACTORY


def test_a_card_of_the_record_that_is_gone_is_said(control):
    with pytest.raises(ControlRefused, match="card GPU-other is gone"):
        control.restore({"cards": {"0": {"uuid": "GPU-other", "power_limit_w": 300}}})


def test_restore_on_a_machine_without_such_a_card_does_nothing():
    def find():
        return [Card(Library(Replay({}, {"nvmlInitWithFlags": 12})))]

    NvmlControl(find, lambda: True).restore({})
    with pytest.raises(ControlRefused):
        NvmlControl(find, lambda: True).restore({"cards": {"0": {"uuid": "GPU-x"}}})


def test_a_tuned_card_is_seen_to_differ_from_the_makers_state(driver):
    card = Card(Library(driver))
    assert card.deviations() == []
    driver.limit_mw, driver.offsets[0] = 250_000, 90
    assert card.deviations() == [
        "card GPU-invented: power limit is 250 W, factory 300 W",
        "card GPU-invented: core clock offset is +90 MHz, factory 0",
    ]


def test_the_recorded_card_refuses_what_it_does_not_offer(card):
    control = NvmlControl(lambda: [card], lambda: True)
    assert control.check(profile(power_limit_w=450)) == []
    assert "offers no such offset" in control.check(profile(core_clock_offset_mhz=50))[0].what
    assert "choose 345 to 1980 MHz" in control.check(profile(core_clock_ceiling_mhz=2000))[0].remedy
    assert control.read_back(profile())["power_limit_w"] == 700
    assert card.deviations() == []
