"""Which card a plan is about: one rule, stated in plans/README.md, for all that has to do with a card."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Sequence
from typing import Any

import pytest

from harness.card import CardChoiceError, GraphicsCard, choose_card, merged, normal_address
from harness.cli import main
from harness.clock import SystemClock
from harness.errors import PlanError
from harness.hookspecs import Kind, hookimpl
from harness.plan.cells import expand
from harness.plan.load import parse_plan
from harness.plugins import PluginHost, PluginRig
from harness.rig import Channel
from harness.telemetry import Sampler
from harness.testing import FakeClock, ScriptedSensor

pytestmark = pytest.mark.usefixtures("no_cards")

GREEN = GraphicsCard("GPU-11112222-aa", "Lumen 90", "nvml", "0000:01:00.0", controls=("nvml",), index=0)
TWIN = GraphicsCard("GPU-33334444-bb", "Lumen 90", "nvml", "0000:41:00.0", controls=("nvml",), index=1)
RED = GraphicsCard("0000:03:00.0", "AMD 744c", "amdgpu", "0000:03:00.0", controls=("amdgpu",))
OWN = GraphicsCard("0000:0c:00.0", "AMD 164e", "amdgpu", "0000:0c:00.0", True, controls=("amdgpu",))
BLUE = GraphicsCard("0000:05:00.0", "Intel e20b", "xe", "0000:05:00.0", controls=("intelgpu",))


def chosen(cards: Sequence[GraphicsCard], *words: str | int) -> GraphicsCard | None:
    return choose_card(cards, [("rig.card", word) for word in words])


@pytest.mark.parametrize(
    ("cards", "card"),
    [
        ([], None),
        ([GREEN], GREEN),
        ([OWN], OWN),  # a machine whose only graphics are the processor's
        ([OWN, GREEN], GREEN),
        ([RED, OWN], RED),
        ([BLUE, OWN], BLUE),
    ],
)
def test_without_a_word_the_only_card_is_meant_and_a_processors_own_graphics_beside_it_are_not(cards, card):
    assert chosen(cards) == card


@pytest.mark.parametrize("cards", [[GREEN, RED], [GREEN, TWIN], [RED, BLUE, OWN], [GREEN, RED, BLUE]])
def test_several_cards_and_no_word_is_an_error_that_says_what_to_write(cards):
    with pytest.raises(CardChoiceError) as caught:
        chosen(cards)
    for card in cards:
        assert (f'card = "{card.address}" for {card.name}' in caught.value.remedy) != card.integrated


@pytest.mark.parametrize(
    ("word", "card"),
    [
        ("0000:03:00.0", RED),
        ("03:00.0", RED),
        ("00000000:03:00.0", RED),  # NVML's own form of an address
        ("GPU-11112222-aa", GREEN),
        ("gpu-1111", GREEN),
        ("e20b", BLUE),
        ("164e", OWN),
        (1, TWIN),
    ],
)
def test_a_word_names_a_card_by_address_uuid_or_part_of_its_name(word, card):
    assert chosen([GREEN, TWIN, RED, OWN, BLUE], word) == card


@pytest.mark.parametrize(
    ("words", "message", "absent"),
    [
        (("0000:99:00.0",), "no such card answers", True),
        (("lumen",), "may mean 2 cards", False),
        (("AMD",), "may mean 2 cards", False),
        (("e20b", "744c"), "means", False),
        (("",), "no such card", True),
    ],
)
def test_a_word_that_names_none_or_several_and_two_that_disagree_are_errors(words, message, absent):
    with pytest.raises(CardChoiceError, match=message) as caught:
        chosen([GREEN, TWIN, RED, OWN, BLUE], *words)
    assert caught.value.absent is absent
    assert "[rig]" in caught.value.remedy


def test_a_card_is_the_same_wherever_it_comes_back_in_a_list():
    moved = dataclasses.replace(GREEN, index=1)
    for cards in ([GREEN, TWIN], [dataclasses.replace(TWIN, index=0), moved]):
        found = chosen(cards, "GPU-11112222-aa")
        assert found is not None
        assert (found.identity, found.facts()) == (GREEN.identity, GREEN.facts())


def test_of_two_plugins_that_see_one_card_the_one_that_can_tune_it_counts():
    seen = dataclasses.replace(GREEN, driver="other", controls=())
    assert merged([seen, GREEN]) == merged([GREEN, seen]) == [GREEN]


def test_addresses_have_one_form():
    assert normal_address("00000000:0A:00.0") == normal_address("0a:00.0") == "0000:0a:00.0"
    assert normal_address("GPU-1") == normal_address("3") == ""


PLAN = """
[plan]
question = "Is it as fast?"
repeats = 1
reference = "factory"
{plan}
{rig}
[[profiles]]
name = "factory"
{profiles}
[[titles]]
name = "salt-road"
workload = "scene"
scene = "slow-tide"
measure_s = 20
"""


def plan_text(rig: str = "", profiles: str = "", plan: str = "") -> str:
    return PLAN.format(rig=rig, profiles=profiles, plan=plan)


class Machine:
    """A plugin that brings cards, and sensors that read all of them, as a careless one would."""

    def __init__(self, *cards: GraphicsCard) -> None:
        self.cards = list(cards)

    @hookimpl
    def kinds(self) -> list[Kind]:
        return []

    @hookimpl
    def graphics_cards(self) -> list[GraphicsCard]:
        return self.cards

    @hookimpl
    def open_sensors(self, clock: Any, specs: Any) -> list[ScriptedSensor]:
        return [DeviceSensor(clock, card, 40.0 + n) for n, card in enumerate(self.cards)]


class DeviceSensor(ScriptedSensor):
    def __init__(self, clock: Any, card: GraphicsCard, temp_c: float) -> None:
        super().__init__(
            {"core_temp_c": temp_c, "hotspot_temp_c": temp_c + 5}, clock, name=f"of-{card.driver}"
        )
        self._card = card

    def channels(self) -> list[Channel]:
        quantities = ["core_temp_c"] if self._card.driver == "nvml" else ["core_temp_c", "hotspot_temp_c"]
        return [Channel(q, f"{self.name}/{q}", device=self._card.device) for q in quantities]


def rig_of(plan: str, *cards: GraphicsCard) -> PluginRig:
    host = PluginHost()
    host.manager.register(Machine(*cards), "machine")
    return PluginRig(host, parse_plan(plan, "plan.toml", host.kinds), FakeClock())


@pytest.fixture
def machine(monkeypatch):
    """Puts cards into every host that is made."""

    def put(*cards: GraphicsCard) -> None:
        before = PluginHost.__init__

        def made(self: PluginHost, *given: Any, **named: Any) -> None:
            before(self, *given, **named)
            self.manager.register(Machine(*cards), "machine")

        monkeypatch.setattr(PluginHost, "__init__", made)

    return put


def test_readings_of_another_card_never_fill_the_cards_columns_not_even_what_the_card_lacks():
    rig = rig_of(plan_text('[rig]\ncard = "Lumen"'), RED, GREEN)
    sampler = Sampler(rig.open_sensors(), FakeClock(), 0.1, sensor_tries=3, on_event=lambda *_: None)
    card_channels = {q: c for q, (_, c) in sampler.channels.items() if c.device}
    assert set(card_channels) == {"core_temp_c"}  # no hotspot, which only the other card has
    assert card_channels["core_temp_c"].device == GREEN.device
    sampler.close()


def test_the_rig_is_told_by_its_card_and_a_folder_of_another_card_is_another_rig():
    ids = {
        rig_of(plan_text(f'[rig]\ncard = "{card.address}"'), RED, GREEN).facts().rig_id
        for card in (RED, GREEN)
    }
    assert len({one.split("-")[0] for one in ids}) == 1
    assert len(ids) == 2


def test_a_card_stays_chosen_when_the_drivers_list_changes_in_the_night():
    host = PluginHost({"machine": (machine := Machine(GREEN))})
    rig = PluginRig(host, parse_plan(plan_text(), "plan.toml", PluginHost().kinds), FakeClock())
    assert rig.card() == GREEN
    machine.cards = [dataclasses.replace(TWIN, index=0), dataclasses.replace(GREEN, index=1)]
    assert rig.card() == GREEN
    assert rig.facts().facts["card"]["uuid"] == GREEN.identity


def test_graphics_of_the_processor_are_looked_past_while_a_card_may_still_be_waking_up():
    host = PluginHost({"machine": (machine := Machine(OWN))})
    rig = PluginRig(host, parse_plan(plan_text(), "plan.toml", PluginHost().kinds), FakeClock())
    assert rig.facts().facts["card"]["integrated"] is True
    machine.cards = [OWN, GREEN]
    assert rig.facts().facts["card"]["uuid"] == GREEN.identity


def test_the_words_of_controls_and_sensors_count_as_the_plans_word(machine):
    old = '[[profiles]]\nname = "quiet"\ncontrol = "amdgpu"\npower_limit_w = 200\ncard = "0000:03:00.0"'
    text = plan_text(profiles=old, plan="allow_hardware_changes = true")
    assert rig_of(text, RED, GREEN).card() == RED
    rig = rig_of(plan_text('[rig]\ncard = "Lumen"', old, "allow_hardware_changes = true"), RED, GREEN)
    with pytest.raises(PlanError, match=r"rig\.card means Lumen 90 .*profiles\.quiet\.card means AMD 744c"):
        rig.require_card("plan.toml")


def test_the_new_key_changes_no_cells_hash_so_a_kept_folder_goes_on():
    host = PluginHost()
    hashes = {
        tuple(c.definition_hash for c in expand(parse_plan(plan_text(rig), "plan.toml", host.kinds)))
        for rig in ("", '[rig]\ncard = "0000:03:00.0"')
    }
    assert len(hashes) == 1


@pytest.mark.parametrize("words", [["check"], ["run", "--into", "night"], ["doctor", "--characterise"]])
def test_check_run_and_characterise_refuse_a_machine_of_two_cards_with_what_to_write(
    words, machine, tmp_path, monkeypatch, capsys
):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "plan.toml").write_text(plan_text())
    machine(GREEN, RED)
    place = [*words, "plan.toml"] if words[0] != "run" else ["run", "plan.toml", *words[1:]]
    assert main(place) == 2
    told = " ".join(capsys.readouterr().err.split())
    assert 'card = "0000:01:00.0" for Lumen 90, or card = "0000:03:00.0" for AMD 744c' in told
    assert not (tmp_path / "night").exists()


def test_check_says_which_card_it_is_and_a_card_of_another_machine_is_no_mistake(
    machine, tmp_path, monkeypatch, capsys
):
    path = tmp_path / "plan.toml"
    machine(GREEN, RED)
    path.write_text(plan_text('[rig]\ncard = "744c"'))
    assert main(["check", str(path), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["card"]["pci_address"] == RED.address
    path.write_text(plan_text('[rig]\ncard = "0000:99:00.0"'))
    assert main(["check", str(path)]) == 0
    assert "no such card answers in this machine" in " ".join(capsys.readouterr().out.split())
    assert main(["run", str(path), "--into", str(tmp_path / "night")]) == 2


def test_a_control_for_another_makers_cards_is_refused_with_the_card_that_is_meant(machine):
    quiet = '[[profiles]]\nname = "quiet"\ncontrol = "{}"\npower_limit_w = 200'
    for control, card in (("nvml", RED), ("amdgpu", GREEN), ("intelgpu", RED)):
        rig = rig_of(plan_text("", quiet.format(control), "allow_hardware_changes = true"), card)
        profile = rig._plan.profiles[1]
        (problem,) = rig.open_control(control).check(profile)
        assert str(card) in problem.what


def test_doctor_shows_the_card_or_what_a_plan_must_write(machine, capsys):
    machine(GREEN, OWN)
    from harness.doctor import examine

    findings = {f.subject: f for f in examine(PluginHost(), SystemClock(), 0.05)}
    assert findings["the card of a plan"].detail.startswith("Lumen 90 (0000:01:00.0)")
    assert "AMD 164e (0000:0c:00.0, the processor's own)" in findings["the card of a plan"].detail
    assert "card 0000:01:00.0" in findings["of-nvml core_temp_c"].detail
    assert "of-amdgpu core_temp_c" not in findings


def test_what_a_crash_left_is_restored_also_while_the_plans_card_does_not_answer():
    rig = rig_of(plan_text('[rig]\ncard = "0000:99:00.0"'), GREEN)
    rig.open_control("processor").restore({})
    assert rig._controls == {}  # the card may come yet, and the control is then its
