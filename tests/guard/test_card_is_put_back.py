"""Real processes on a pretend card: whatever ends the program, the card is back, and the record says so."""

from __future__ import annotations

import json
import signal
import sqlite3
import sys
import time

import pytest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")


def begun(pretend, name="quiet"):
    log = pretend.folder / "log"
    return log.exists() and f"begin {name}" in log.read_text()


def assert_back(pretending, pretend):
    """The card is in its factory state, stays there, and nothing stands in the record."""
    assert pretending.wait_until(lambda: not pretend.record.exists() and pretend.state == "factory", 60)
    time.sleep(1.5)
    assert pretend.state == "factory"
    assert not pretend.record.exists()
    assert not [p for p in pretending.marked(str(pretend.tool)) if " set " in " ".join(p.cmdline())]


def start(pretending, pretend, **more):
    return pretending.levelrig(pretend, "run", pretend.plan(**more), "--into", "c")


@pytest.mark.parametrize("options", [{}, {"detach": True}, {"detach": True, "scrub": True}])
def test_a_kill_while_apply_runs_leaves_no_orphan_that_changes_the_card_later(pretending, pretend, options):
    pretend.options(apply_s=4.0, **options)
    run = start(pretending, pretend)
    assert pretending.wait_until(lambda: begun(pretend, "plain"))
    assert pretend.record.exists()
    run.kill()
    run.communicate()
    assert_back(pretending, pretend)


def test_a_second_ctrl_c_while_apply_runs_ends_the_command_and_restores(pretending, pretend):
    pretend.options(apply_s=30.0)
    run = start(pretending, pretend)
    assert pretending.wait_until(lambda: begun(pretend, "plain"))
    run.send_signal(signal.SIGINT)
    time.sleep(0.3)
    run.send_signal(signal.SIGINT)
    output, _ = run.communicate(timeout=60)
    assert run.returncode == 130, output
    assert_back(pretending, pretend)


@pytest.mark.endurance
def test_sigterm_while_apply_runs_restores(pretending, pretend):
    """And does not wait for its end, which may be ten minutes away."""
    pretend.options(apply_s=300.0)
    run = start(pretending, pretend, timeout_s=600)
    assert pretending.wait_until(lambda: begun(pretend, "plain"))
    run.send_signal(signal.SIGTERM)
    output, _ = run.communicate(timeout=120)
    assert run.returncode == 130, output
    assert_back(pretending, pretend)


@pytest.mark.endurance
def test_a_kill_while_the_restore_runs_ends_that_and_restores_once_more(pretending, pretend):
    pretend.options(restore_s=2.0)
    run = start(pretending, pretend)
    assert pretending.wait_until(lambda: begun(pretend, "factory"))
    run.kill()
    run.communicate()
    assert_back(pretending, pretend)


@pytest.mark.endurance
def test_an_apply_longer_than_the_watchs_patience_is_left_alone(pretending, pretend):
    """The watch counts a program as hung after 7 s here; the command takes 9 and may take 60."""
    pretend.options(apply_s=9.0)
    run = pretending.levelrig(pretend, "run", pretend.plan(repeats=1), "--into", "c", silent_s=7.0)
    output, _ = run.communicate(timeout=180)
    assert run.returncode == 0, output
    log = (pretend.folder / "log").read_text()
    assert log.count("begin quiet") == log.count("end quiet") == 1
    assert_back(pretending, pretend)


@pytest.mark.endurance
def test_a_harness_that_is_stopped_for_long_and_killed_later_leaves_the_factory_state(pretending, pretend):
    pretend.options(apply_s=3.0)
    run = pretending.levelrig(pretend, "run", pretend.plan(), "--into", "c", silent_s=7.0)
    assert pretending.wait_until(lambda: begun(pretend, "plain"))
    run.send_signal(signal.SIGSTOP)
    assert pretending.wait_until(lambda: begun(pretend, "factory"))  # the watch found it silent
    assert pretend.record.exists()
    pretend.card.write_text("plain")  # as a change that was under way and comes through late
    run.kill()
    run.communicate()
    assert_back(pretending, pretend)


@pytest.mark.endurance
def test_a_harness_that_goes_on_after_its_watch_restored_rejects_and_applies_again(pretending, pretend):
    run = pretending.levelrig(pretend, "run", pretend.plan(measure_s=3), "--into", "c", silent_s=7.0)
    title = str(pretend.folder / "title.py")
    assert pretending.wait_until(lambda: pretend.state == "quiet" and any(pretending.marked(title)))
    time.sleep(0.5)
    run.send_signal(signal.SIGSTOP)
    assert pretending.wait_until(lambda: pretend.state == "factory")
    run.send_signal(signal.SIGCONT)
    output, _ = run.communicate(timeout=180)
    assert run.returncode == 0, output
    assert pretending.accepted_under_another_profile(pretend.folder / "c") == []
    assert_back(pretending, pretend)


@pytest.mark.endurance
def test_a_watch_that_is_killed_is_replaced_and_still_restores(pretending, pretend):
    run = start(pretending, pretend, repeats=9, measure_s=8)
    watch = lambda: [p for p in pretending.marked(str(pretend.record)) if "--watch" in p.cmdline()]  # noqa: E731
    assert pretending.wait_until(lambda: pretend.state != "factory" and watch())
    first = watch()[0]
    first.kill()
    assert pretending.wait_until(lambda: any(p.pid != first.pid for p in watch()), 60)
    run.kill()
    run.communicate()
    assert_back(pretending, pretend)


@pytest.mark.endurance
def test_others_neither_touch_the_live_run_nor_its_record(pretending, pretend):
    run = start(pretending, pretend, repeats=3, measure_s=4)
    assert pretending.wait_until(lambda: pretend.state == "quiet")
    restored_before = (pretend.folder / "log").read_text().count("begin factory")
    harmless = pretend.harmless_plan()
    others = {
        "second": ("run", pretend.folder / "plan.toml", "--into", "second"),
        "same folder": ("run", pretend.folder / "plan.toml", "--into", "c"),
        "restore": ("restore",),
        "no hardware": ("run", harmless, "--into", "harmless"),
        "factory": ("run", pretend.factory_plan(), "--into", "factory"),
        "rehearse": ("rehearse", pretend.folder / "plan.toml"),
        "status": ("status", "c"),
    }
    ended = {}
    for name, words in others.items():
        other = pretending.levelrig(pretend, *words)
        output, _ = other.communicate(timeout=120)
        ended[name] = (other.returncode, output)
    for name in ("second", "same folder", "restore"):
        code, output = ended[name]
        assert code == 3, (name, output)
        assert f"process {run.pid} (a run, since" in " ".join(output.split())
    assert not (pretend.folder / "second").exists()
    assert ended["no hardware"][0] in (0, 4), ended["no hardware"]
    for name in ("no hardware", "factory"):
        said = " ".join(ended[name][1].split())
        assert f"(by control: command) and not put back yet; process {run.pid} (a run, since" in said
    assert ended["factory"][0] == 2, ended["factory"]
    assert ended["rehearse"][0] == 0, ended["rehearse"]
    output, _ = run.communicate(timeout=240)
    assert run.returncode == 0, output
    assert pretending.accepted_under_another_profile(pretend.folder / "c") == []
    log = (pretend.folder / "log").read_text()
    assert log.count("begin factory") == log.count("begin plain") + log.count("begin quiet")
    assert restored_before < log.count("begin factory")
    assert_back(pretending, pretend)


@pytest.mark.endurance
def test_a_restore_that_can_not_be_made_is_in_the_last_line_the_exit_code_and_the_status(pretending, pretend):
    launcher_pauses = pretend.folder / "stuck"
    run = start(pretending, pretend, repeats=1, measure_s=3)
    assert pretending.wait_until(lambda: pretend.state == "quiet")
    launcher_pauses.write_text("")
    run.send_signal(signal.SIGTERM)
    time.sleep(1.0)
    run.kill()  # not to wait three minutes for all pauses; the watch has the same to do
    run.communicate()
    restore = pretending.levelrig(pretend, "restore")
    output, _ = restore.communicate(timeout=120)
    assert restore.returncode == 5, output
    assert "the driver does not answer" in output
    launcher_pauses.unlink()
    restore = pretending.levelrig(pretend, "restore")
    output, _ = restore.communicate(timeout=120)
    assert restore.returncode in (0, 5), output
    assert_back(pretending, pretend)


@pytest.mark.parametrize("sealed", [True, False])
def test_what_stands_in_the_journal_is_neither_executed_nor_applied(pretending, pretend, tmp_path, sealed):
    """The store refuses a journal that was changed after its run closed it; without that seal it goes on."""
    harmless = pretend.harmless_plan()
    first = pretending.levelrig(pretend, "run", harmless, "--into", "c")
    first.communicate(timeout=120)
    planted = {
        "command": {"restore": [{"words": [sys.executable, "-c", f"open({str(tmp_path / 'x')!r}, 'w')"],
                                 "timeout_s": 9}]},
        "nvml": {"cards": {"0": {"uuid": "GPU-x", "power_limit_w": 999}}},
        "no-such-control": {},
    }  # fmt: skip
    with sqlite3.connect(pretend.folder / "c" / "journal.sqlite") as journal:
        for kind, state in planted.items():
            journal.execute("INSERT INTO snapshots VALUES (?, ?, '2026-01-01')", (kind, json.dumps(state)))
        journal.execute("INSERT INTO snapshots VALUES ('damaged', 'no json', '2026-01-01')")
    journal.close()
    manifest = pretend.folder / "c" / "manifest.json"
    content = json.loads(manifest.read_text())
    assert content.pop("journal")
    if not sealed:
        manifest.write_text(json.dumps(content))
    for plan in (harmless, pretend.plan(repeats=1)):
        again = pretending.levelrig(pretend, "run", plan, "--into", "c", "--discard-changed")
        output, _ = again.communicate(timeout=120)
        assert again.returncode in ((1,) if sealed else (0, 4)), output
        assert ("was changed since the last run closed it" in " ".join(output.split())) is sealed
    log = pretend.folder / "log"
    assert log.exists() is not sealed  # sealed: refused before the first change
    assert not (tmp_path / "x").exists()
    assert_back(pretending, pretend)
