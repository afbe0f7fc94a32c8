"""``levelrig new``: from answers, options and spreadsheets to a plan that ``check`` accepts."""

from __future__ import annotations

import io
import os
import sys
import tomllib
from pathlib import Path

import pytest

from harness import userfiles
from harness.card import GraphicsCard
from harness.cli import main
from harness.commands import machine_at_hand
from harness.plan.load import load_plan
from harness.plugins import PluginHost

HOST = PluginHost()


@pytest.fixture
def new(tmp_path, monkeypatch, capsys):
    """Runs the command in an empty folder, with answers from a pipe, as on a machine without a card."""
    monkeypatch.setattr(PluginHost, "graphics_cards", lambda _: [])
    monkeypatch.setattr(machine_at_hand, "_quantities", lambda *_: {})
    monkeypatch.setattr(machine_at_hand, "_refused_by", lambda *_: lambda profile: [])
    monkeypatch.chdir(tmp_path)
    program = tmp_path / "harbour"
    program.write_text("#!/bin/sh\n", encoding="utf-8")
    program.chmod(0o755)
    Path("sample.csv").write_text(
        "frame,dt,shown\n" + "".join(f"{n},{8 + n % 3 / 4},{n * 8.25}\n" for n in range(400)),
        encoding="utf-8",
    )

    def call(*words: str, answers: str = ""):
        monkeypatch.setattr(sys, "stdin", io.StringIO(answers))
        code = main(["new", *words])
        return code, capsys.readouterr()

    return call


THREADS = ("--profile", "one-thread", "control=processor", "thread_count=1")


def test_piped_answers_make_a_plan_that_check_accepts(new, capsys):
    answers = (
        "one-thread\nprocessor\n\n1\n\n\nslow-tide\ncpu\n7\nHarbour Lights\n./harbour --demo\n\n\n3\n9\n"
    )
    answers += "log\nframes.csv\nsample.csv\nyes\n\n0:20\n3\n"
    code, shown = new("night.toml", answers=answers)
    assert code == 0, shown.err
    plan = load_plan(Path("night.toml"), HOST)
    assert [profile.name for profile in plan.profiles] == ["factory", "one-thread"]
    assert [title.name for title in plan.titles] == ["slow-tide", "harbour-lights"]
    assert plan.titles[1].frame_log.options["interval_column"] == "dt"
    assert plan.limits.night_ends_after_s == 1200
    assert main(["check", "night.toml"]) == 0
    assert "to expect" in capsys.readouterr().out
    assert "Written: night.toml" in shown.out


def test_options_alone_ask_nothing(new):
    code, shown = new(
        "night.toml", *THREADS, "--title", "slow-tide", "--title", "h", "command=./harbour", "seconds=20",
        "log=f.csv", "columns=dt", "--hours", "2", "--margin-pct", "2,5", "--yes",
    )  # fmt: skip
    assert code == 0, shown.err
    plan = load_plan(Path("night.toml"), HOST)
    assert plan.plan.margin_pct == 2.5
    assert plan.plan.repeats >= 2
    assert "about" in shown.out


def test_defaults_alone_make_a_plan_that_runs_anywhere(new):
    code, shown = new("night.toml", "--yes")
    assert code == 0
    assert shown.out.startswith("1 profile, 1 title")
    assert load_plan(Path("night.toml"), HOST).titles[0].workload == "scene"


@pytest.mark.parametrize(
    ("words", "answers", "told"),
    [
        ([], "", "PLAN"),
        (["night.toml"], "", "--profile"),
        (["night.toml", *THREADS], "", "--title or --from"),
        (["night.toml", *THREADS, "--title", "slow-tide"], "", "--hours"),
        (["night.toml", *THREADS, "--title", "slow-tide"], "soon\n", "--hours"),
        (["night.toml", *THREADS, "--hours", "soon"], "", "--hours: 'soon'"),
        (["night.toml", "--profile", "q", "power_limit_w=9", "--yes"], "", "--allow-hardware-changes"),
        (["night.toml", "--yes", "--repeats", "2.5"], "", "--repeats"),
        (["night.toml", "--yes", "--repeats", "0"], "", "repeats"),
        (["night.toml", "--yes", "--reference", "quiet"], "", "--reference"),
        (["night.toml", "more.toml", "--yes"], "", "one plan at a time"),
        (["no/night.toml", "--yes"], "", "no folder"),
        ([".", "--yes"], "", "a folder"),
        (["title"], "", "which plan"),
        (["title", "night.toml"], "", "no such plan"),
        (["night.toml", "--from", "none.csv", "--yes"], "", "no such spreadsheet"),
    ],
)  # fmt: skip
def test_what_lacks_an_answer_ends_with_the_option_that_gives_it_and_writes_nothing(
    new, words, answers, told
):
    before = sorted(Path().iterdir())
    code, shown = new(*words, answers=answers)
    assert code == 2
    assert told in " ".join(shown.err.split())
    assert sorted(Path().iterdir()) == before


def test_a_plan_that_is_there_is_replaced_only_on_word(new):
    Path("night.toml").write_text("mine", encoding="utf-8")
    for answers in ("", "no\n"):
        code, shown = new("night.toml", "--yes", answers=answers)
        assert code == 2
        assert Path("night.toml").read_text(encoding="utf-8") == "mine"
    assert "levelrig new title night.toml" in shown.err
    assert new("night.toml", "--yes", answers="yes\n")[0] == 0
    Path("night.toml").write_text("mine", encoding="utf-8")
    assert new("night.toml", "--yes", "--overwrite")[0] == 0
    assert "[plan]" in Path("night.toml").read_text(encoding="utf-8")


def test_an_interrupt_leaves_no_file(new, monkeypatch):
    class Interrupting(io.StringIO):
        def readline(self, *_):
            raise KeyboardInterrupt

    before = sorted(Path().iterdir())
    monkeypatch.setattr(sys, "stdin", Interrupting())
    assert main(["new", "night.toml"]) == 130
    assert sorted(Path().iterdir()) == before


def test_answers_that_are_no_text_are_told(new):
    code, shown = new("night.toml", answers="p\udcff\n")
    assert code == 2
    assert "save them as UTF-8" in shown.err


def test_a_hardware_profile_needs_the_words_and_writes_the_cautions(new):
    words = ["night.toml", "--profile", "quiet", "control=nvml", "power_limit_w=240", "--yes"]
    assert new(*words, answers="no\n")[0] == 2
    assert not Path("night.toml").exists()
    assert new(*words, answers="yes\n")[0] == 0
    text = Path("night.toml").read_text(encoding="utf-8")
    assert "CAUTION" in text
    assert tomllib.loads(text)["plan"]["allow_hardware_changes"] is True


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_a_spreadsheet_in_any_encoding_of_spreadsheets(new, encoding):
    rows = "name;command;seconds;log;columns\r\nGrüne Höhe;./harbour --demo;7,5;f.csv;dt\r\n"
    Path("titles.csv").write_bytes(rows.encode(encoding))
    code, shown = new("night.toml", *THREADS, "--from", "titles.csv", "--yes")
    assert code == 0, shown.err
    (title,) = load_plan(Path("night.toml"), HOST).titles
    assert (title.name, title.label, title.measure_s) == ("grune-hohe", "Grüne Höhe", 7.5)


@pytest.mark.parametrize(
    ("content", "told"), [(b"PK\x03\x04rest", "save it as CSV"), (b"name\n\xe9\n", "UTF-8")]
)
def test_a_workbook_or_another_encoding_is_told(new, content, told):
    Path("titles.xlsx").write_bytes(content)
    code, shown = new("night.toml", *THREADS, "--from", "titles.xlsx", "--yes")
    assert code == 2
    assert told in " ".join(shown.err.split())


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf", b"\xff\xfe"])
@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_a_title_is_added_and_all_else_stays(new, mark, ending):
    new("night.toml", *THREADS, "--yes")
    encoding = "utf-16-le" if mark == b"\xff\xfe" else "utf-8"
    text = Path("night.toml").read_text(encoding="utf-8") + "\n# my own words\n"
    before = mark + text.replace("\n", ending).encode(encoding)
    Path("night.toml").write_bytes(before)
    code, shown = new(
        "title", "night.toml", "--title", "h", "command=./harbour", "seconds=9", "sample=sample.csv"
    )
    assert code == 0, shown.err
    after = Path("night.toml").read_bytes()
    assert after.startswith(mark)
    assert len(after) > len(before)
    lines = after.removeprefix(mark).decode(encoding)
    assert lines.count(ending) == lines.count("\n")
    assert all(line in lines for line in text.splitlines())
    assert [title.name for title in load_plan(Path("night.toml"), HOST).titles][-1] == "h"


def test_a_title_of_a_name_that_is_taken_changes_nothing(new):
    new("night.toml", *THREADS, "--yes")
    before = Path("night.toml").read_bytes()
    code, shown = new("title", "night.toml", "--title", "tarn-ridge")
    assert code == 2
    assert "a second title" in shown.err
    assert Path("night.toml").read_bytes() == before


def test_a_profile_that_changes_hardware_brings_the_permission_that_was_given(new):
    new("night.toml", *THREADS, "--yes")
    words = ["profile", "night.toml", "--profile", "quiet", "control=nvml", "power_limit_w=240"]
    before = Path("night.toml").read_bytes()
    assert new(*words)[0] == 2
    assert Path("night.toml").read_bytes() == before
    assert new(*words, answers="yes\n")[0] == 0
    plan = load_plan(Path("night.toml"), HOST)
    assert plan.plan.allow_hardware_changes
    assert plan.profiles[-1].name == "quiet"


def test_a_plan_with_a_mistake_is_added_to_only_when_it_is_put_right(new):
    Path("night.toml").write_text("[plan]\n", encoding="utf-8")
    code, shown = new("title", "night.toml", "--title", "tarn-ridge")
    assert code == 2
    assert "problem" in shown.err


def test_what_check_will_refuse_is_told_at_once(new, capsys):
    words = ("--title", "gone", "command=./gone", "seconds=9", "log=f.csv", "columns=dt")
    code, shown = new("night.toml", *THREADS, *words, "--yes")
    assert code == 0
    told = " ".join(shown.out.split())
    assert "To be put right: titles[0]" in told
    assert "./gone" in told
    assert main(["check", "night.toml"]) == 2


def test_a_file_is_written_whole_or_not_at_all(tmp_path, monkeypatch):
    target = tmp_path / "plan.toml"
    target.write_text("old", encoding="utf-8")
    with pytest.raises(userfiles.UserFileError, match="there already"):
        userfiles.write_whole(target, b"new", replace=False)
    monkeypatch.setattr(os, "fsync", lambda _: (_ for _ in ()).throw(OSError(28, "No space left on device")))
    with pytest.raises(userfiles.UserFileError, match="No space left"):
        userfiles.write_whole(target, b"new", replace=True)
    assert [path.name for path in tmp_path.iterdir()] == ["plan.toml"]
    assert target.read_text(encoding="utf-8") == "old"


@pytest.mark.skipif(sys.platform == "win32", reason="links and rights of POSIX")
def test_a_link_is_followed_and_rights_are_kept(tmp_path):
    target, link = tmp_path / "plan.toml", tmp_path / "link.toml"
    target.write_text("old", encoding="utf-8")
    target.chmod(0o640)
    link.symlink_to(target)
    userfiles.write_whole(link, b"new", replace=True)
    assert link.is_symlink()
    assert target.read_bytes() == b"new"
    assert target.stat().st_mode & 0o777 == 0o640


def test_of_several_cards_the_plan_names_the_one_that_is_tested(new, monkeypatch):
    cards = [
        GraphicsCard("uuid-1", "a 350 W card", "nvml", "0000:03:00.0"),
        GraphicsCard("uuid-2", "a 200 W card", "nvml", "0000:04:00.0"),
    ]
    monkeypatch.setattr(PluginHost, "graphics_cards", lambda _: cards)
    assert new("night.toml", *THREADS, "--yes", "--card", "200 W")[0] == 0
    assert load_plan(Path("night.toml"), HOST).rig.card == "0000:04:00.0"
    assert new("two.toml", *THREADS, "--yes", "--card", "card")[0] == 2
