"""The state machine on its own: no clock, no device, no file."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.engine.machine import InvalidTransition, State, step
from harness.engine.messages import (
    ApplyProfile,
    AttemptBegun,
    BeginAttempt,
    Closed,
    CloseTitle,
    CommitAttempt,
    Committed,
    EndCampaign,
    Event,
    Failed,
    FetchSlot,
    GateOpened,
    GateTimedOut,
    HoldGate,
    IngestAndJudge,
    Instruction,
    Judged,
    Launched,
    LaunchTitle,
    MeasureWindow,
    Phase,
    ProfileInForce,
    Restored,
    RestoreFactory,
    SlotOffered,
    Start,
    StopRequested,
    WindowEnded,
)
from harness.plan.schema import Slot

SLOT = Slot(position=1, block=1, cell_id="harbour-lights.low.quiet", repeat_index=1)

#: What a driver answers when all goes well.
GOOD: dict[type, Event] = {
    BeginAttempt: AttemptBegun(("cooldown",), ("warm_up", "soak")),
    ApplyProfile: ProfileInForce(),
    LaunchTitle: Launched(),
    MeasureWindow: WindowEnded(),
    CloseTitle: Closed(),
    IngestAndJudge: Judged(accepted=True),
    CommitAttempt: Committed(),
    RestoreFactory: Restored(),
}


def answer(instruction: Instruction, slots: list[Slot]) -> Event:
    match instruction:
        case FetchSlot():
            return SlotOffered(slots.pop(0) if slots else None)
        case HoldGate(gate):
            return GateOpened(gate)
        case _:
            return GOOD[type(instruction)]


def run_until(kind: type, slots: list[Slot] | None = None) -> tuple[State, Instruction]:
    """Drive the machine on good answers until it gives an instruction of that kind."""
    slots = [SLOT] if slots is None else slots
    state, (instruction,) = step(State(), Start())
    while not isinstance(instruction, kind):
        state, (instruction,) = step(state, answer(instruction, slots))
    return state, instruction


def test_one_good_attempt_passes_through_every_phase_in_order_and_restores_at_the_end():
    state, (instruction,) = step(State(), Start())
    slots, seen = [SLOT], [instruction]
    while not isinstance(instruction, EndCampaign):
        state, (instruction,) = step(state, answer(instruction, slots))
        seen.append(instruction)
    assert seen == [
        FetchSlot(),
        BeginAttempt(SLOT),
        ApplyProfile(),
        HoldGate("cooldown"),
        LaunchTitle(),
        HoldGate("warm_up"),
        HoldGate("soak"),
        MeasureWindow(),
        CloseTitle(),
        IngestAndJudge(),
        CommitAttempt("accepted", None, None),
        FetchSlot(),
        RestoreFactory(),
        EndCampaign(None, "all planned repeats are done"),
    ]


def test_an_attempt_passes_the_stages_that_it_began_with_and_no_others():
    def held(before: tuple[str, ...], inside: tuple[str, ...]) -> list[Instruction]:
        state, (instruction,) = step(State(), Start())
        slots, seen = [SLOT], []
        while not isinstance(instruction, CloseTitle):
            begins = isinstance(instruction, BeginAttempt)
            event = AttemptBegun(before, inside) if begins else answer(instruction, slots)
            state, (instruction,) = step(state, event)
            if isinstance(instruction, HoldGate | LaunchTitle | MeasureWindow):
                seen.append(instruction)
                assert state.title_may_run == (LaunchTitle() in seen)
        return seen

    assert held((), ()) == [LaunchTitle(), MeasureWindow()]
    assert held(("fan_rest", "cooldown"), ("long_breath",)) == [
        HoldGate("fan_rest"), HoldGate("cooldown"), LaunchTitle(), HoldGate("long_breath"), MeasureWindow()
    ]  # fmt: skip


def test_a_gate_that_is_not_held_can_not_open():
    state, _ = run_until(HoldGate)
    with pytest.raises(InvalidTransition):
        step(state, GateOpened("soak"))


def test_a_title_that_fails_in_its_window_is_closed_and_committed_as_failed_without_reading_its_log():
    state, _ = run_until(MeasureWindow)
    state, instructions = step(state, Failed("title-crashed", "harbour-lights ended by itself"))
    assert instructions == (CloseTitle(),)
    _, instructions = step(state, Closed())
    assert instructions == (CommitAttempt("failed", "title-crashed", "harbour-lights ended by itself"),)


def test_a_profile_that_is_refused_fails_the_attempt_before_anything_is_launched():
    state, _ = run_until(ApplyProfile)
    _, instructions = step(state, Failed("profile-refused", "no permission"))
    assert instructions == (CommitAttempt("failed", "profile-refused", "no permission"),)


def test_a_gate_that_times_out_marks_skips_or_stops_as_the_plan_says():
    state, _ = run_until(HoldGate)
    assert step(state, GateTimedOut("cooldown", "mark", "still 60 °C"))[1] == (LaunchTitle(),)
    assert step(state, GateTimedOut("cooldown", "skip", "still 60 °C"))[1] == (
        CommitAttempt("rejected", "cooldown-timeout", "still 60 °C"),
    )
    stopped, instructions = step(state, GateTimedOut("cooldown", "stop", "still 60 °C"))
    assert instructions == (CommitAttempt("failed", "conditions", "still 60 °C"),)
    stopped, instructions = step(stopped, Committed())
    assert instructions == (RestoreFactory(),)
    assert step(stopped, Restored())[1] == (EndCampaign("conditions", "still 60 °C"),)


def test_a_stop_in_the_window_ends_the_title_commits_the_attempt_as_interrupted_and_restores():
    state, _ = run_until(MeasureWindow)
    state, instructions = step(state, StopRequested("interrupt", "Ctrl-C"))
    assert instructions == (CloseTitle(),)
    state, instructions = step(state, Closed())
    assert instructions == (CommitAttempt("interrupted", "interrupt", "Ctrl-C"),)
    state, instructions = step(state, Committed())
    assert instructions == (RestoreFactory(),)
    assert step(state, Restored())[1] == (EndCampaign("interrupt", "Ctrl-C"),)


def test_a_stop_after_the_window_lets_the_measured_attempt_be_accepted():
    state, _ = run_until(IngestAndJudge)
    state, instructions = step(state, StopRequested("interrupt", "Ctrl-C"))
    assert instructions == ()
    state, instructions = step(state, Judged(accepted=True))
    assert instructions == (CommitAttempt("accepted", None, None),)
    assert step(state, Committed())[1] == (RestoreFactory(),)


def test_a_pause_lets_the_attempt_end_and_then_ends_the_night():
    state, _ = run_until(MeasureWindow)
    state, instructions = step(state, StopRequested("pause", "asked for"))
    assert instructions == ()
    state, instructions = step(state, WindowEnded())
    assert instructions == (CloseTitle(),)


def test_a_safety_stop_wins_over_a_stop_that_came_before():
    state, _ = run_until(IngestAndJudge)
    state, _ = step(state, StopRequested("interrupt", "Ctrl-C"))
    state, _ = step(state, StopRequested("safety", "core_temp_c is 95.0 °C"))
    assert state.stop is not None
    assert state.stop.kind == "safety"


def test_an_event_that_the_phase_does_not_allow_names_both_and_the_history():
    state, _ = run_until(HoldGate)
    with pytest.raises(
        InvalidTransition, match=r"WindowEnded\(\) can't happen in phase cooldown.*apply cooldown"
    ):
        step(state, WindowEnded())


def test_a_restore_that_failed_is_in_the_final_reason():
    state, _ = run_until(RestoreFactory, [])
    _, (end,) = step(state, Restored("nvml: no permission"))
    assert end == EndCampaign(
        None,
        "all planned repeats are done; the card could not be put back as it was found: nvml: no permission",
        unrestored=True,
    )


def test_a_restore_that_failed_between_two_profiles_and_worked_in_the_end_is_history():
    state, _ = run_until(HoldGate)
    state, _ = step(state, StopRequested("restore-failed", "the card could not be put back between two"))
    while state.phase != Phase.RESTORE:
        state, _ = step(state, Committed() if state.phase == Phase.COMMIT else Closed())
    _, (end,) = step(state, Restored())
    assert not end.unrestored
    assert end.reason == (
        "the card could not be put back between two; it was put back at the end, and the same command goes on"
    )


DISTURBANCES = st.one_of(
    st.none(),
    st.none(),
    st.sampled_from(
        [
            Failed("title-hung", "no sign of life"),
            StopRequested("interrupt", "Ctrl-C"),
            StopRequested("safety", "too hot"),
            StopRequested("pause", "asked for"),
        ]
    ),
)


@given(st.integers(0, 4), st.lists(DISTURBANCES, max_size=60), st.sampled_from(["mark", "skip", "stop"]))
def test_whatever_happens_every_attempt_that_was_begun_is_committed_once_and_the_card_is_restored(
    slot_count, disturbances, then
):
    slots = [SLOT.model_copy(update={"position": n + 1}) for n in range(slot_count)]
    state, (instruction,) = step(State(), Start())
    begun = committed = restored = 0
    for _ in range(400):
        match instruction:
            case BeginAttempt():
                begun += 1
            case CommitAttempt():
                committed += 1
            case RestoreFactory():
                restored += 1
            case EndCampaign():
                break
            case _:
                pass
        disturbance = disturbances.pop(0) if disturbances else None
        waiting = isinstance(instruction, ApplyProfile | HoldGate | LaunchTitle | MeasureWindow)
        if disturbance is not None and waiting:
            if isinstance(disturbance, Failed) and isinstance(instruction, HoldGate):
                disturbance = GateTimedOut(instruction.gate, then, "timeout")
            state, instructions = step(state, disturbance)
            instruction = instructions[0] if instructions else instruction
        else:
            state, (instruction,) = step(state, answer(instruction, slots))
    assert isinstance(instruction, EndCampaign)
    assert state.phase == Phase.ENDED
    assert begun == committed
    assert restored == 1
