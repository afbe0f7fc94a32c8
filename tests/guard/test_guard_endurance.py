"""Long studies with real processes on the pretend card; figures in tests/bench/FIGURES.md.

The 40 kills take longer than ten minutes; ``LEVELRIG_KILLS`` (``1-10``, ``3,7``) runs some of them.
"""

from __future__ import annotations

import itertools
import os
import random
import signal
import sys
import time

import pytest

pytestmark = [
    pytest.mark.endurance,
    pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX"),
]

#: Real times over the study's: an apply of 5 s stands for 200 s, the watch's patience of 7.5 s for 300 s.
SCALE = 40
SILENT_S = 300 / SCALE
MOMENTS = 40


def chosen_kills(text: str) -> list[int]:
    """Which of the 40 kills are wanted: ``LEVELRIG_KILLS=1-10`` or ``3,7,12-20``; by default all."""
    chosen: set[int] = set()
    for part in text.split(","):
        first, _, last = part.partition("-")
        chosen.update(range(int(first) - 1, int(last or first)))
    return sorted(chosen & set(range(MOMENTS)))


def kill(run):
    run.kill()


def stop_for_long_then_kill(run):
    run.send_signal(signal.SIGSTOP)
    time.sleep(1.5 * SILENT_S)
    run.kill()


def ctrl_c_twice(run):
    run.send_signal(signal.SIGINT)
    time.sleep(0.2)
    run.send_signal(signal.SIGINT)


def ctrl_c_then_kill(run):
    run.send_signal(signal.SIGINT)
    time.sleep(0.5)
    run.kill()


WAYS = (kill, stop_for_long_then_kill, ctrl_c_twice, ctrl_c_then_kill)


def test_whenever_a_run_is_killed_the_card_is_in_the_factory_state_at_the_end(pretending, tmp_path, capsys):
    """Applies of 0.1, 200 and 400 s, killed at 40 moments from the first change on, in four ways."""
    cases = list(
        itertools.islice(itertools.cycle(itertools.product((0.1, 200 / SCALE, 400 / SCALE), WAYS)), MOMENTS)
    )
    left_changed = []
    for number in chosen_kills(os.environ.get("LEVELRIG_KILLS", f"1-{MOMENTS}")):
        apply_s, way = cases[number]
        chance = random.Random(f"kill {number}")  # the same moment whichever part it is run in
        pretend = pretending.Pretend(tmp_path / f"card-{number}")
        pretend.options(apply_s=apply_s, detach=number % 5 == 4)
        run = pretending.levelrig(pretend, "run", pretend.plan(repeats=3), "--into", "c", silent_s=SILENT_S)
        try:
            log = pretend.folder / "log"
            assert pretending.wait_until(lambda log=log: log.exists() and "begin" in log.read_text(), 120)
            time.sleep(chance.uniform(0.0, 2 * apply_s + 3.0))
            way(run)
            run.communicate(timeout=120)
            back = pretending.wait_until(
                lambda p=pretend: not p.record.exists() and p.state == "factory", 120
            )
            time.sleep(apply_s + 1.0)  # what an orphan would need to change it after all
            if not back or pretend.state != "factory" or pretend.record.exists():
                left_changed.append((number, apply_s, way.__name__, pretend.state, log.read_text()))
        finally:
            pretending.end_all(str(pretend.folder))
        with capsys.disabled():
            print(f"{number + 1} of {MOMENTS}: {apply_s:g} s, {way.__name__}: {pretend.state}", flush=True)
    assert left_changed == []


def test_no_repeat_is_accepted_under_a_wrong_profile_whatever_runs_beside_it(pretending, pretend, capsys):
    """A second run, a restore and a rehearsal against a running campaign, 30 times."""
    short = pretend.folder / "short.toml"
    short.write_text(pretend.plan(repeats=1).read_text())
    run = pretending.levelrig(pretend, "run", pretend.plan(repeats=200, measure_s=2), "--into", "c")
    assert pretending.wait_until(lambda: pretend.state != "factory", 120)
    refused = 0
    for round_ in range(30):
        others = [
            pretending.levelrig(pretend, "run", pretend.folder / "plan.toml", "--into", f"other-{round_}"),
            pretending.levelrig(pretend, "restore"),
            pretending.levelrig(pretend, "rehearse", short, "--into", f"r-{round_}"),
        ]
        said = [other.communicate(timeout=300)[0] for other in others]
        codes = [other.returncode for other in others]
        assert run.poll() is None, "the campaign must outlast the study"
        assert codes == [3, 3, 0], "\n".join(said)
        refused += 2
        with capsys.disabled():
            print(f"round {round_ + 1} of 30: {codes}", flush=True)
    run.send_signal(signal.SIGTERM)
    output, _ = run.communicate(timeout=120)
    assert run.returncode == 130, output
    assert pretending.accepted_under_another_profile(pretend.folder / "c") == []
    log = (pretend.folder / "log").read_text()
    assert log.count("begin factory") == log.count("begin plain") + log.count("begin quiet")
    assert refused == 60
    assert pretend.state == "factory"
    assert not pretend.record.exists()
    with capsys.disabled():
        print(f"{log.count('begin plain') + log.count('begin quiet')} profiles applied meanwhile")


@pytest.mark.parametrize("apply_s", [200.0, 400.0])
def test_a_real_apply_killed_in_its_middle_leaves_the_factory_state(pretending, pretend, capsys, apply_s):
    """With the guard's usual times."""
    pretend.options(apply_s=apply_s)
    run = pretending.levelrig(pretend, "run", pretend.plan(timeout_s=600.0), "--into", "c")
    log = pretend.folder / "log"
    assert pretending.wait_until(lambda: log.exists() and "begin" in log.read_text(), 120)
    time.sleep(apply_s / 2)
    assert "end" not in log.read_text(), "it is to be killed in the middle"
    run.kill()
    run.communicate()
    began_s = time.monotonic()
    assert pretending.wait_until(lambda: not pretend.record.exists() and pretend.state == "factory", 120)
    took_s = time.monotonic() - began_s
    time.sleep(apply_s / 2 + 5.0)  # what an orphan would need to change it after all
    assert pretend.state == "factory"
    assert not pretend.record.exists()
    assert log.read_text().count("begin plain") == 1
    with capsys.disabled():
        print(f"apply of {apply_s:g} s, killed in its middle: back after {took_s:.1f} s", flush=True)
