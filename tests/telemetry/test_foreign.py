from __future__ import annotations

import ctypes
import random

import pytest

from harness.checks import AttemptEvidence, judge
from harness.engine.history import History
from harness.plan.checks_table import Checks
from harness.telemetry.foreign import ProgramLooks, excess, merged, newcomers, usual_with
from harness.windows.engines import COUNTER, CounterItem, EngineCounters, by_adapter, loads_of
from tests.windows.emulation import FakeWindows, poke

REJECTED = "foreign-gpu-load"
DESKTOP = [f"desk-{n}" for n in range(16)]


def verdicts(windows):
    """Reason codes of attempts, one after the other, by what was on the card in each."""
    history, found = History(), []
    for programs in windows:
        evidence = AttemptEvidence(gpu_programs=programs, usual_gpu_programs=history.usual_gpu_programs)
        found.append([code for code, _ in judge(evidence, Checks()).fired if code.startswith("foreign-gpu")])
        history.add_gpu_programs(programs)
    return found


@pytest.mark.parametrize("told", [True, False], ids=["loads are told", "names only"])
def test_desktop_programs_that_come_and_go_reject_no_attempt(told):
    """Eighty attempts with 14 to 16 desktop programs: by their number 45 were rejected."""
    draw = random.Random(4)
    windows = [dict.fromkeys(DESKTOP, 0.2 if told else None)]
    for _ in range(79):
        present = draw.sample(DESKTOP, draw.randint(14, 16))
        windows.append({name: draw.uniform(0, 0.5) if told else None for name in present})
    assert verdicts(windows) == [[]] * 80


def test_one_that_loads_the_card_rejects_the_attempt_and_is_named():
    quiet = dict.fromkeys(DESKTOP, 0.3)
    assert verdicts([quiet, {**quiet, "encoder": 35.0}, quiet]) == [[], ["foreign-gpu-load"], []]
    evidence = AttemptEvidence(gpu_programs={**quiet, "encoder": 35.0}, usual_gpu_programs=quiet)
    assert judge(evidence, Checks()).reason == (
        "other programs used 35 % of the card beyond what is usual tonight (limit 10 %): encoder"
    )


def test_one_that_comes_and_stays_makes_no_window_like_those_before_it():
    """Had its load become usual, half a night would be compared with the other half."""
    quiet, under_load = {"desk": 1.0}, {"desk": 1.0, "encoder": 40.0}
    assert verdicts([quiet, under_load, under_load, quiet]) == [[], [REJECTED], [REJECTED], []]


@pytest.mark.parametrize("name", ["dwm.exe", "DWM.exe", "Xorg", "gnome-shell"])
def test_what_puts_the_windows_onto_the_screen_works_for_the_title_and_rejects_none(name):
    """A title in a window is composed, one that fills the screen is not: the load differs by the title."""
    assert verdicts([{name: 1.0}, {name: 16.0}, {name: 1.0}, {name: 16.0}]) == [[]] * 4
    assert verdicts([{name: 1.0}, {name: 16.0, "encoder": 35.0}]) == [[], [REJECTED]]


def test_a_known_program_that_begins_to_load_the_card_counts_although_its_name_is_usual():
    assert verdicts([{"browser": 1.0}, {"browser": 30.0}]) == [[], ["foreign-gpu-load"]]


def test_what_always_loads_the_card_is_usual_and_its_first_window_is_told():
    assert verdicts([{"compositor": 6.0}] * 3) == [[], [], []]
    assert verdicts([{"player": 20.0}] * 3) == [["foreign-gpu-load"], [], []]


def test_where_no_load_is_told_a_program_never_seen_tonight_counts_once():
    night = [{"desk": None}, {"desk": None, "game": None}, {"desk": None, "game": None}, {"desk": None}]
    assert verdicts(night) == [[], ["foreign-gpu-load"], [], []]
    evidence = AttemptEvidence(gpu_programs={"game": None}, usual_gpu_programs={"desk": None})
    assert judge(evidence, Checks()).reason == "programs came to the card that were not there before: game"
    assert judge(evidence, Checks(extra_gpu_processes_at_most=1)).accepted


def test_nothing_is_known_of_a_card_whose_programs_no_sensor_sees():
    assert verdicts([None, None]) == [[], []]


def test_looks_are_means_over_the_window_and_copies_of_a_program_are_one():
    looks = ProgramLooks()
    looks.add([("a", 10.0), ("a", 20.0), ("b", None)])
    looks.add([])
    assert looks.take() == {"a": 15.0, "b": None}
    assert looks.take() is None
    assert merged([{"a": None, "b": None}, {"b": 4.0}]) == {"a": 0.0, "b": 4.0}
    assert merged([{"a": None}, {}]) == {"a": None}
    now = {"a": 3.0, "b": 2.0, "c": None, "d": 9.0}
    assert usual_with({"a": 5.0, "b": None}, now) == {"a": 3.0, "b": 2.0, "c": 0.0, "d": 0.0}
    assert usual_with({"a": 5.0, "b": None}, {}) == {"a": 0.0, "b": 0.0}
    assert usual_with(None, now) == now
    assert excess({"a": 9.0, "b": 1.0, "c": None}, {"a": 3.0, "b": 2.0}) == {"a": 6.0}
    assert newcomers({"a": None, "b": None, "c": 3.0}, {"a": None}) == ["b"]


# --- the counters of Windows ------------------------------------------------------------------------------


def counters(looks):
    """PdhGetFormattedCounterArray: PDH_MORE_DATA and the size first, then the items."""
    kept = []

    def array(counter, how, size, count, buffer):
        items = looks[0]
        need = len(items) * ctypes.sizeof(CounterItem) + 64 * len(items)
        if buffer is None or ctypes.c_uint32.from_address(size).value < need:
            poke(size, need)
            return 0x800007D2
        table = (CounterItem * len(items)).from_address(buffer)
        kept.append(table)  # which holds the names
        for item, (name, (status, value)) in zip(table, items.items(), strict=True):
            item.name, item.status, item.double_value = name, status, value
        poke(count, len(items))
        looks.pop(0)
        return 0

    def give(*arguments):
        poke(arguments[-1], 0x77, ctypes.c_uint64)
        return 0

    return FakeWindows(
        PdhOpenQueryW=give,
        PdhAddEnglishCounterW=lambda query, path, user, into: 0 if path == COUNTER and not give(into) else 1,
        PdhCollectQueryData=lambda query: 0,
        PdhGetFormattedCounterArrayW=array,
        PdhCloseQuery=lambda query: 0,
    )


INSTANCE = "pid_{}_luid_0x00000000_0x0000{}_phys_0_eng_{}_engtype_3D"


def test_windows_tells_the_load_of_each_process_on_the_adapter_that_the_title_works_on():
    look = {
        INSTANCE.format(100, "C4E5", 0): (0, 80.0),  # the title
        INSTANCE.format(200, "C4E5", 0): (0, 12.0),
        INSTANCE.format(200, "C4E5", 3): (1, 30.0),  # its busiest engine counts
        INSTANCE.format(300, "AAAA", 0): (0, 90.0),  # on the processor's own graphics
        INSTANCE.format(400, "C4E5", 0): (0xC0000BBA, 50.0),  # no valid data
        "something else": (0, 1.0),
    }
    windows = counters([look])
    found = EngineCounters(windows).look()
    assert loads_of(found, frozenset({100})) == {100: 80.0, 200: 30.0}
    assert loads_of(found, frozenset()) == {100: 80.0, 200: 30.0, 300: 90.0}
    assert by_adapter({}) == {}


def test_counters_that_the_system_lacks_are_an_error_and_leave_nothing_open():
    windows = counters([])
    windows.answers["PdhAddEnglishCounterW"] = lambda *_: 0xC0000BB8  # PDH_CSTATUS_NO_OBJECT
    with pytest.raises(OSError, match="PdhAddEnglishCounterW: 0xc0000bb8"):
        EngineCounters(windows)
    assert windows.named("PdhCloseQuery") == [(0x77,)]
