"""What is asked of profiles, titles and the night, and what the answers make."""

from __future__ import annotations

import pytest

from harness.card import GraphicsCard
from harness.errors import NoAnswer, Problem
from harness.newplan.ask_night import (
    ask_card,
    ask_limit_c,
    ask_permission,
    card_called,
    usual_limit_c,
    usual_question,
)
from harness.newplan.ask_profiles import ask_profiles, given_profiles
from harness.newplan.ask_titles import ask_titles, given_titles
from harness.newplan.compose import profile_block


def test_a_profile_is_asked_key_by_key_inside_the_driver_s_range(machine, talk):
    said = talk(["Quiet one", "1", "999", "240", "", "", "", ""])
    assert ask_profiles(said.dialogue, machine()) == [
        {"name": "quiet-one", "label": "Quiet one", "control": "nvml", "power_limit_w": 240}
    ]
    assert any(
        "outside of what the driver takes; choose 150 to 350, factory 320 W" in line for line in said.shown
    )
    assert any("card 0, a 350 W card" in line for line in said.shown)


def test_a_step_of_the_card_is_asked_for_where_it_has_steps(machine, talk):
    said = talk(["m", "1", "", "", "6000", "5001", "", ""])
    assert ask_profiles(said.dialogue, machine())[0]["memory_clock_ceiling_mhz"] == 5001
    assert any("choose one of 405, 5001, 10501" in line for line in said.shown)


def test_what_the_control_refuses_is_asked_again(machine, talk):
    refusals = [[Problem("x", "the profile asks for no change", "set a value")], []]
    here = machine(refused=lambda profile: refusals.pop(0))
    said = talk(["q", "1", "150", "", "", "", "240", "", "", "", ""])
    assert ask_profiles(said.dialogue, here)[0]["power_limit_w"] == 240
    assert any("asks for no change; set a value" in line for line in said.shown)


def test_a_tuning_program_is_asked_for_its_commands(machine, talk):
    here = machine(tunings=())
    said = talk(
        [
            "u",
            "command",
            "cardtool --load u",
            "cardtool --reset",
            "cardtool --show",
            "profile: u",
            "",
            "",
            "",
            "",
        ]
    )
    (profile,) = ask_profiles(said.dialogue, here)
    assert profile == {
        "name": "u", "control": "command", "apply": ["cardtool", "--load", "u"],
        "restore": ["cardtool", "--reset"], "verify": ["cardtool", "--show"], "verify_line": "profile: u",
    }  # fmt: skip


CARDS = [
    GraphicsCard("uuid-1", "a 350 W card", "nvml", "0000:03:00.0"),
    GraphicsCard("uuid-2", "a 200 W card", "nvml"),
]


def test_several_cards_are_told_apart(talk):
    said = talk(["3", "2"])
    assert ask_card(said.dialogue, CARDS) is CARDS[1]
    assert any("1: a 350 W card (0000:03:00.0)" in line for line in said.shown)


@pytest.mark.parametrize(("text", "found"), [("03:00.0", 0), ("uuid-2", 1), ("200 W", 1)])
def test_a_card_is_called_by_what_a_plan_takes(text, found):
    assert card_called(text, CARDS) is CARDS[found]


@pytest.mark.parametrize("text", ["card", "other"])
def test_a_word_for_several_cards_or_none_is_refused(text):
    with pytest.raises(ValueError, match="choose one of: a 350 W card"):
        card_called(text, CARDS)


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["q", "control=nvml", "power_limit_w=999"], "choose 150 to 350"),
        (["q", "power_limit_w=abc"], "no number"),
        (["q", "control=nvlm", "power_limit_w=240"], "did you mean 'nvml'"),
        (["q", "control=nvml", "power_limt_w=240"], "did you mean 'power_limit_w'"),
        (["q", "power_limit_w"], "no KEY=VALUE"),
    ],
)
def test_a_profile_by_option_is_held_to_the_same(machine, words, why):
    with pytest.raises(NoAnswer, match=why):
        given_profiles([words], machine())


def test_a_profile_by_option_finds_its_control(machine):
    assert given_profiles([["q", "power_limit_w=240"]], machine())[0]["control"] == "nvml"
    assert given_profiles([["q", "thread_count=2"]], machine())[0]["control"] == "processor"
    assert given_profiles([["f"]], machine())[0] == {"name": "f"}


def test_a_title_is_asked_for(machine, talk):
    logs = {"old.csv": {"interval_column": "dt", "unit": "ms"}}
    answers = [
        "Harbour Lights",
        "/g/Harbour Lights/harbour --demo",
        "",
        "",
        "demo (begins)",
        "60",
        "log",
        "f-*.csv",
        "old.csv",
        "",
    ]
    said = talk([*answers, ""])
    here = machine(programs=["/g/Harbour Lights/harbour"], logs=logs)
    assert ask_titles(said.dialogue, here) == [
        {
            "name": "harbour-lights", "label": "Harbour Lights", "workload": "command",
            "command": ["/g/Harbour Lights/harbour", "--demo"], "working_folder": "/g/Harbour Lights",
            "ready_line": r"demo \(begins\)", "measure_s": 60,
            "frame_log": {"path": "f-*.csv", "interval_column": "dt", "unit": "ms"},
        }
    ]  # fmt: skip


def test_a_title_that_ends_by_itself_and_gives_a_score(machine, talk):
    said = talk(["freight", "freight", "", "", "5", "0", "", "score", "average:", ""])
    (title,) = ask_titles(said.dialogue, machine(programs=["freight"]))
    assert title["warm_up"] == {"seconds": 0}
    assert title["soak"] == {}
    assert title["score_line"] == r"average:\s*([0-9.]+)"
    assert "measure_s" not in title


def test_columns_are_named_by_hand_where_no_sample_is_there(machine, talk):
    said = talk(["t", "t", "", "", "", "", "", "f.csv", "gone.csv", "", "", "shown", "us", "semicolon", ""])
    (title,) = ask_titles(said.dialogue, machine(programs=["t"]))
    assert title["frame_log"] == {
        "path": "f.csv", "presentation_time_column": "shown", "unit": "us", "delimiter": "semicolon",
    }  # fmt: skip
    assert any("no such file" in line for line in said.shown)


def test_a_program_that_is_not_there_is_told_and_kept_on_word(machine, talk):
    said = talk(["t", "./t", "no", "./u", "yes", "", "", "", "", "score", "", ""])
    (title,) = ask_titles(said.dialogue, machine())
    assert title["command"] == ["./u"]
    assert sum("There is no program" in line for line in said.shown) == 2


def test_a_scene_is_asked_little(machine, talk):
    said = talk(["slow-tide", "", "", "30", ""])
    assert ask_titles(said.dialogue, machine()) == [
        {
            "name": "slow-tide", "workload": "scene", "scene": "slow-tide", "backend": "gpu",
            "resolution": "2560x1440", "load": 20, "measure_s": 30,
        }
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["t", "command=./t", "seconds=9"], "neither frames nor a score"),
        (["t", "score=x"], "no command"),
        (["t", "command=./t", "secnds=9"], "did you mean 'seconds'|did you mean"),
        (["t", "command='./t", "score=x"], "quote"),
        (["t", "scene=tarn", "seconds=9"], "tarn-ridge"),
    ],
)
def test_a_title_by_option_is_refused_with_words(machine, words, why):
    with pytest.raises(NoAnswer, match=why):
        given_titles([words], machine())


def test_nothing_changes_a_card_without_the_words(machine, talk):
    quiet = [{"name": "quiet", "control": "nvml", "power_limit_w": 240}]
    said = talk(["yes"])
    assert ask_permission(said.dialogue, machine(), quiet)
    assert any("The maker's limits and manual come first" in line for line in said.shown)
    with pytest.raises(NoAnswer, match="nothing was written"):
        ask_permission(talk(["no"]).dialogue, machine(), quiet)
    for take_defaults in (False, True):
        with pytest.raises(NoAnswer, match=r"--allow-hardware-changes$"):
            ask_permission(talk([], take_defaults=take_defaults).dialogue, machine(), quiet)
    assert not ask_permission(talk([]).dialogue, machine(), [{"name": "f"}])


def test_a_temperature_limit_is_below_what_the_card_states_and_only_where_it_is_read(machine, talk):
    assert usual_limit_c(machine()) == 87  # the card slows down at 90
    assert usual_limit_c(machine(tunings=())) == 88
    assert ask_limit_c(talk([""]).dialogue, machine()) == 87
    assert ask_limit_c(talk(["0"]).dialogue, machine()) is None
    assert ask_limit_c(talk([]).dialogue, machine(quantities={})) is None


@pytest.mark.parametrize(
    ("names", "question"),
    [
        (["factory", "quiet"], "Is quiet as good as factory?"),
        (["factory", "a", "b"], "Is a as good as factory, and is b?"),
        (["factory"], "How fast is the card in its state factory?"),
    ],
)
def test_the_question_is_a_sentence(names, question):
    assert usual_question([{"name": name} for name in names], "factory") == question


def test_levelrig_may_record_the_frames_itself(machine, talk):
    said = talk(["a", "a", "", "", "", "", "capture", ""])
    (title,) = ask_titles(said.dialogue, machine(programs=["a"]))
    assert title["frames"] == "capture"
    assert "frame_log" not in title
    assert any("offline" in line for line in said.shown)


def test_a_logger_beside_it_is_a_companion_and_offered_for_the_next_title(machine, talk):
    first = ["a", "a", "", "", "", "", "logger", "flog --of {process_id}", "f.csv", "", "ms", "", ""]
    second = ["b", "b", "", "b.exe", "", "", "", "", "f.csv", "", "ms", "", "", ""]
    one, two = ask_titles(talk([*first, *second]).dialogue, machine(programs=["a", "b"]))
    companion = {"name": "logger", "command": ["flog", "--of", "{process_id}"], "starts": "when-ready"}
    assert one["companions"] == two["companions"] == [companion]
    assert one["frame_log"]["companion"] == "logger"
    assert two["process_name"] == "b.exe"


def test_a_logger_by_option(machine):
    words = [
        "t",
        "command=./t",
        "seconds=9",
        "logger=flog --to {work_folder}/f.csv",
        "log=f.csv",
        "columns=dt",
    ]
    (title,) = given_titles([words], machine())
    assert title["companions"] == [{"name": "logger", "command": ["flog", "--to", "{work_folder}/f.csv"]}]
    assert title["frame_log"] == {"companion": "logger", "path": "f.csv", "interval_column": "dt"}


def test_a_profile_that_sets_nothing_is_asked_again(machine, talk):
    said = talk(["p", "processor", "", "", "", "0, 1", "", "", ""])
    assert ask_profiles(said.dialogue, machine(tunings=()))[0]["affinity"] == [0, 1]
    assert any("the same as the reference" in line for line in said.shown)


def test_a_title_whose_argument_is_a_file_here_runs_here(machine, talk):
    words = ["t", "command=python tour.py --fast", "seconds=9", "log=f.csv", "columns=dt"]
    assert given_titles([words], machine())[0]["working_folder"] == "/home/ann"
    (title,) = ask_titles(
        talk(["t", "python tour.py", "", "", "", "", "score", "", ""]).dialogue, machine(programs=["python"])
    )
    assert title["working_folder"] == "/home/ann"


def test_a_raised_clock_is_asked_about_and_marked(machine, talk):
    said = talk(["q", "1", "", "", "", "100", "", "", "2500", "", "100", ""])
    (profile,) = ask_profiles(said.dialogue, machine())
    assert profile["core_clock_ceiling_mhz"] == 2500
    assert any("raises the clock" in line for line in said.shown)
    assert not any("raises" in line for line in profile_block(profile, machine()))
    assert any(
        "raises" in line for line in profile_block({"name": "q", "core_clock_offset_mhz": 9}, machine())
    )
