"""A card that does not answer is told as such and waited for, not taken for another rig."""

from __future__ import annotations

import pytest

from harness.engine.campaign import run_campaign
from harness.engine.identify import CARD_WAIT_S
from harness.engine.progress import StopSignal
from harness.errors import CardNotFound, Interrupted, RigChanged
from harness.plan.schema import Plan
from harness.rig import RigFacts
from harness.testing import ScriptedRig, ScriptedSensor

PLAN = Plan.model_validate(
    {
        "plan": {"question": "Is it?", "repeats": 1, "reference": "factory"},
        "profiles": [{"name": "factory"}],
        "titles": [{"name": "harbour-lights", "workload": "command", "measure_s": 5}],
    }
)
MINE = RigFacts("0123456789ab-01234567", "boot-1", {"card": {"uuid": "GPU-1"}})
MUTE = RigFacts("0123456789ab-none", "boot-1", {})


class Waking(ScriptedRig):
    """A rig whose card answers only from some time on."""

    answers_at_s = 0.0

    def facts(self) -> RigFacts:
        return self.identity if self.clock.now_s() >= self.answers_at_s else MUTE


class Listening:
    def __init__(self, stop: StopSignal | None = None) -> None:
        self.messages: list[str] = []
        self.stop = stop

    def on_progress(self, progress: object) -> None: ...

    def on_attempt(self, *_: object) -> None: ...

    def on_message(self, level: str, message: str) -> None:
        self.messages.append(message)
        if self.stop is not None:
            self.stop.request("interrupt", "Ctrl-C")


def run(folder, after_s=0.0, identity=MINE, observer=None, stop=None):
    rig = Waking(identity=identity)
    rig.sensors = [ScriptedSensor({"core_temp_c": 40.0}, rig.clock)]
    rig.answers_at_s = rig.clock.now_s() + after_s
    observer = observer or Listening()
    started_s = rig.clock.now_s()
    try:
        run_campaign(
            plan=PLAN,
            plan_text="",
            plan_source="plan.toml",
            rig=rig,
            folder=folder,
            observer=observer,
            stop=stop or StopSignal(),
        )
    finally:
        observer.waited_s = rig.clock.now_s() - started_s
    return observer


def test_a_card_that_answers_late_is_waited_for_and_the_campaign_goes_on(tmp_path):
    run(tmp_path / "c")
    heard = run(tmp_path / "c", after_s=45.0)
    assert any(text.startswith("card not found") for text in heard.messages)
    assert any("answers after 46 s" in text for text in heard.messages)


def test_a_card_that_never_answers_ends_the_start_in_bounded_time_without_calling_it_another_rig(tmp_path):
    run(tmp_path / "c")
    heard = Listening()
    with pytest.raises(CardNotFound, match="card not found") as caught:
        run(tmp_path / "c", after_s=1e6, observer=heard)
    assert caught.value.exit_code == 3
    assert CARD_WAIT_S <= heard.waited_s < CARD_WAIT_S + 5
    run(tmp_path / "c")  # and nothing was changed


def test_a_stop_ends_the_waiting(tmp_path):
    run(tmp_path / "c")
    stop = StopSignal()
    with pytest.raises(Interrupted):
        run(tmp_path / "c", after_s=1e6, observer=Listening(stop), stop=stop)


def test_a_machine_without_a_card_is_not_waited_for(tmp_path):
    for _ in range(2):
        assert run(tmp_path / "c", identity=MUTE).waited_s < CARD_WAIT_S


def test_another_card_is_another_rig_and_is_said_to_be_the_card(tmp_path):
    run(tmp_path / "c")
    with pytest.raises(RigChanged, match="the card differs"):
        run(tmp_path / "c", identity=RigFacts("0123456789ab-76543210", "boot-1", {}))
