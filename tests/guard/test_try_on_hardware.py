"""A try under a profile that changes the card: the same guard, lock and way back as a run. Real processes."""

from __future__ import annotations

import signal
import sys

import pytest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")


def start(pretending, pretend, *words, plan=None, **more):
    plan = plan or pretend.plan(**more)
    return pretending.levelrig(pretend, "try", plan, "harbour-lights", "--into", "t", *words)


def assert_back(pretending, pretend):
    assert pretending.wait_until(lambda: not pretend.record.exists() and pretend.state == "factory", 60)


def in_window(pretending, pretend):
    title = str(pretend.folder / "title.py")
    return pretending.wait_until(lambda: pretend.state == "quiet" and any(pretending.marked(title)))


def test_a_profile_is_in_force_for_the_title_and_put_back_with_proof(pretending, pretend):
    tried = start(pretending, pretend, "--profile", "quiet", "--beside")
    said, _ = tried.communicate(timeout=180)
    assert tried.returncode == 0, said
    assert "quiet (control command)" in said
    assert "control command: the state that was found is back, as read back" in said
    log = (pretend.folder / "log").read_text()
    assert "end quiet" in log
    assert log.splitlines()[-1] == "end factory"
    assert_back(pretending, pretend)


def test_without_a_profile_nothing_is_changed_on_the_card(pretending, pretend):
    tried = start(pretending, pretend, "--beside")
    said, _ = tried.communicate(timeout=180)
    assert "harbour-lights · default · as-found, once" in said
    assert not (pretend.folder / "log").exists()
    assert not pretend.record.exists()


@pytest.mark.parametrize("number", [signal.SIGINT, pytest.param(signal.SIGTERM, marks=pytest.mark.endurance)])
def test_a_stop_in_the_window_puts_the_card_back(pretending, pretend, number):
    tried = start(pretending, pretend, "--profile", "quiet", "--beside", measure_s=60)
    assert in_window(pretending, pretend)
    tried.send_signal(number)
    said, _ = tried.communicate(timeout=120)
    assert tried.returncode == 130, said
    assert "INTERRUPTED" in said
    assert pretend.state == "factory"
    assert_back(pretending, pretend)


def test_the_watch_puts_the_card_back_when_the_try_is_killed(pretending, pretend):
    tried = start(pretending, pretend, "--profile", "quiet", "--beside", measure_s=60)
    assert in_window(pretending, pretend)
    tried.kill()
    tried.communicate()
    assert_back(pretending, pretend)
    title = str(pretend.folder / "title.py")
    assert pretending.wait_until(lambda: not any(pretending.marked(title)))


def test_a_run_under_way_is_left_alone(pretending, pretend):
    run = pretending.levelrig(pretend, "run", pretend.plan(measure_s=60), "--into", "c")
    title = str(pretend.folder / "title.py")
    assert pretending.wait_until(lambda: any(pretending.marked(title)))
    log = (pretend.folder / "log").read_text()
    tried = start(pretending, pretend, "--profile", "quiet", "--beside", plan=pretend.folder / "plan.toml")
    said, _ = tried.communicate(timeout=120)
    assert tried.returncode == 3, said
    assert "holds this machine's hardware" in said
    assert pretend.record.exists()
    assert (pretend.folder / "log").read_text() == log
    run.send_signal(signal.SIGINT)
    run.communicate(timeout=120)
    assert_back(pretending, pretend)
