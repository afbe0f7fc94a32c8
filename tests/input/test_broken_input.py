"""Broken plans and other broken inputs over the public commands: told, refused, nothing written.

The short form runs with every test run; the long one, 500 plans and 300 others, with ``-m endurance -s``, and
prints the table that stands in tests/bench/FIGURES.md; ``LEVELRIG_TEST_SEED=word`` draws others.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from broken import HEADING, Tally, call, tree
from mutate import ABSURD, changed, damaged, document

from harness.cli import main
from harness_plugins.simulated.card import CardModel

PLANS = Path(__file__).parents[2] / "plans"
#: Fresh cases with each value of this variable.
SEED = os.environ.get("LEVELRIG_TEST_SEED", "")
#: A plan with a key of nearly every table.
RICH = """
[plan]
name = "quiet"
question = "Is the quiet setting as fast?"
repeats = { at_least = 2, at_most = 3, decide_on = ["average_fps"] }
reference = "factory"
margin_pct = 3.0
allow_hardware_changes = true
[conditions]
temperature = "core_temp_c"
cooldown = { until_at_most_c = 45, or_stopped_falling = true, timeout_s = 600, then = "mark" }
warm_up = { seconds = 2 }
soak = { slope_at_most_c_per_min = 2.0, window_s = 30, timeout_s = 300 }
[sentinels]
every = 4
title = "salt-road"
[limits]
core_temp_c = 88
[night]
starts_at = "23:00"
ends_at = "07:00"
[sampling]
period_s = 0.5
sensors = ["psutil"]
[retries]
attempts_per_repeat = 2
[checks]
mark_only = ["start-temperature"]
idle_gpu_load_at_most_pct = false
[cost]
price_per_kwh = 0.3
currency = "EUR"
[instruments.power_w]
accuracy_pct = 1.0
[report]
captions = { comparison = "Change" }
authors = [{ name = "N. N.", orcid = "0000-0002-1825-0097" }]
[notify]
on = ["end"]
[[sensors]]
kind = "stream"
command = ["./meter"]
quantities = { wall_power_w = { name = "W", unit = "W" } }
[[profiles]]
name = "factory"
[[profiles]]
name = "slow"
control = "processor"
thread_count = 1
affinity = [0, 1]
[[profiles]]
name = "tuned"
control = "nvml"
power_limit_w = 225
[[titles]]
name = "salt-road"
workload = "scene"
scene = "slow-tide"
measure_s = 20
[[titles]]
name = "harbour-lights"
workload = "command"
command = ["./harbour", "{height}"]
environment = { A = "1" }
values = { height = 1080 }
ready_line = "ready"
measure_s = 60
expect_lines = ["2560 ?x ?1440"]
frame_log = { path = "frames.csv", interval_column = "dt", unit = "ms" }
settings = [{ name = "low", values = { height = 720 } }, { name = "high", measure_s = 90 }]
"""
SMALL = """
[plan]
question = "Same?"
repeats = 1
reference = "factory"
[conditions]
cooldown = { seconds = 1 }
warm_up = { seconds = 1 }
[[profiles]]
name = "factory"
[[profiles]]
name = "quiet"
control = "simulated"
[[titles]]
name = "harbour-lights"
workload = "simulated"
measure_s = 3
load_s = 1.0
"""
ASSUME = """
ambient_c = 26.0
ambient_drift_hours = 6.0
frame_rate_scale = 0.2
fault_probability = { title-crash = 0.02 }
[[faults]]
kind = "slow-run"
cell = "harbour-lights.*.quiet"
run = 1
after_s = 3
[sensors]
ambient = false
[titles.harbour-lights]
gpu_ms = 9.5
[profiles.quiet]
power_limit_w = 240
"""
MAPPING = """
interval_column = "frametime_ms"
presentation_time_column = "t_s"
unit = "ms"
time_unit = "s"
delimiter = ","
skip_rows = 0
dropped_values = ["1"]
"""


def draw(case: str) -> random.Random:
    """The generator of a case: the same tomorrow, another one under another seed."""
    return random.Random(f"{SEED}{case}")


def text_of(tables: dict, rng: random.Random) -> bytes:
    """Two of three: one value, key or entry changed; else the text itself damaged."""
    return damaged(document(tables), rng) if rng.random() < 0.33 else document(changed(tables, rng)).encode()


def break_plans(count: int, folder: Path, tally: Tally) -> None:
    good = [RICH, *(path.read_text("utf-8") for path in sorted(PLANS.glob("*.toml")))]
    bases = [tomllib.loads(text) for text in good]
    for number in range(count):
        rng = draw(f"plan {number}")
        path = folder / "plan.toml"
        path.write_bytes(text_of(rng.choice([bases[0], rng.choice(bases)]), rng))
        tally.cases += 1
        about = f"plan {number}"
        words = ["check", path, *(["--json"] if number % 2 else [])]
        if call(words, tally, about, folder) == 0:
            continue  # a harmless change
        further = ("run", "rehearse", "characterise")[number % 3]
        if further == "characterise":
            call(
                ["doctor", "--characterise", path, "--model-into", folder / "model.json"],
                tally,
                about,
                folder,
            )
        else:
            call([further, path, "--into", folder / "night"], tally, about, folder)


def break_beside(kind: str, count: int, folder: Path, tally: Tally, base: dict, write: Callable) -> None:
    """A file beside a good plan: assumptions, a card's model, a mapping."""
    (folder / "plan.toml").write_text(SMALL, encoding="utf-8")
    for number in range(count):
        rng = draw(f"{kind} {number}")
        path = folder / f"{kind}.file"
        path.write_bytes(write(base, rng))
        tally.cases += 1
        words: list[object] = [
            "rehearse",
            folder / "plan.toml",
            f"--{kind}",
            path,
            "--into",
            folder / "night",
        ]
        if kind == "mapping":
            words = ["analyse", folder / "logs", "--mapping", path, "--reference", "factory"]
        # A night that was begun on settings that pass may well end short of its repeats, or at a limit.
        call(words, tally, f"{kind} {number}", folder, may_write=frozenset({0, 3, 4, 5}))


def json_of(tree_of: dict, rng: random.Random) -> bytes:
    if rng.random() < 0.33:
        return damaged(json.dumps(tree_of), rng)
    found = changed(tree_of, rng)
    return json.dumps(found, default=str).encode()


def break_logs(count: int, folder: Path, tally: Tally) -> None:
    rows = "".join(f"{n * 16.7:.3f},{16.7 + n % 3},x\n" for n in range(300))
    good = "time,dt,what\n" + rows
    for number in range(count):
        rng = draw(f"log {number}")
        path = folder / rng.choice(["log.csv", "log.parquet", "log.json", "log"])
        path.write_bytes(damaged(good, rng))
        tally.cases += 1
        call(["map", path, *(["--json"] if number % 2 else [])], tally, f"log {number}", folder)
        path.unlink()


def break_curves(count: int, folder: Path, tally: Tally) -> None:
    good = "t_s,power_w,core_temp_c,core_clock_mhz,fan_pct,gpu_load_pct\n" + "".join(
        f"{n},{20 + 200 * (60 < n < 240)},{30 + n * 0.1},{1800},{30},{100 * (60 < n < 240)}\n"
        for n in range(300)
    )
    for number in range(count):
        rng = draw(f"curve {number}")
        path = folder / rng.choice(["curve.csv", "curve.parquet"])
        path.write_bytes(damaged(good, rng))
        tally.cases += 1
        words = ["doctor", "--characterise", path, "--model-into", folder / "model.json"]
        call(words, tally, f"curve {number}", folder)
        path.unlink()


def break_folders(count: int, night: Path, folder: Path, tally: Tally) -> None:
    """Folders that are no campaigns, and campaigns of which a file was damaged."""
    names = (
        "journal.sqlite",
        "manifest.json",
        "rig.json",
        "plan.toml",
        "dataset/attempts.parquet",
        "live.json",
    )
    commands = (
        ("status",), ("verify",), ("explain", "cell/x/average_fps"), ("resume-at-boot", "show"), ("stop",),
        ("analyse", "--reference", "factory"), ("status", "--json"), ("verify", "--json"),
    )  # fmt: skip
    for number in range(count):
        rng = draw(f"folder {number}")
        place = folder / "campaign"
        shutil.rmtree(place, ignore_errors=True)
        place.unlink(missing_ok=True)
        kind = number % 4
        if kind == 0:
            place.mkdir()
            (place / rng.choice(["plan.toml", "rig.json", "notes.txt"])).write_bytes(damaged("{}", rng))
        elif kind == 1:
            if rng.random() < 0.5:
                place.write_bytes(b"no folder")
        else:
            shutil.copytree(night, place)
            victim = place / rng.choice(names)
            if victim.exists():
                content = victim.read_bytes()
                spot = rng.randrange(max(1, len(content)))
                victim.write_bytes(
                    rng.choice(
                        [
                            b"",
                            content[:spot],
                            content[:spot] + b"\xff" * 40 + content[spot + 40 :],
                            b"[]",
                            b"null",
                        ]
                    )
                )
        tally.cases += 1
        command, *rest = rng.choice(commands)
        words = [command, *rest, place] if command == "resume-at-boot" else [command, place, *rest]
        code = call(words, tally, f"folder {number}", folder, may_write=frozenset())
        if kind < 2:
            assert code == 2, words


def break_words(count: int, night: Path, folder: Path, tally: Tally) -> None:
    """Command lines: options of a wrong kind, out of range, of an odd script."""
    odd = [
        "",
        " ",
        "-1",
        "nan",
        "inf",
        "1e400",
        "9" * 5000,
        "\u202e",
        "\udcff",
        "a\nb",
        "../..",
        "\x1b[2J",
        "ü" * 300,
    ]
    for number in range(count):
        rng = draw(f"words {number}")
        word = rng.choice(odd)
        path = folder / "plan.toml"
        path.write_text(SMALL, encoding="utf-8")
        words = rng.choice(
            [
                ["check", word], ["status", word], ["verify", word], ["map", word], ["report", word], [word],
                ["explain", night, word], ["rehearse", path, "--seed", word, "--into", folder / "x", "--assume", "/no"],
                ["analyse", night, "--reference", word], ["analyse", night, "--margin-pct", word],
                ["analyse", night, "--layout", word], ["stop", night, "--timeout-s", word], ["rebuild", word],
                ["watch", night, "--port", word, "--host", "0.0.0.256"], ["resume-at-boot", word, night],
                ["doctor", "--characterise", word], ["doctor", "--characterise", path, "--title", word or "x"],
                ["rehearse", path, "--model", word or "x", "--into", folder / "x"], ["schema", word or "x"],
                ["restore", word or "x"], ["run", word or "x", "--into", folder / "x"], ["--" + word],
            ]
        )  # fmt: skip
        tally.cases += 1
        call(words, tally, f"words {number}", folder)


@pytest.fixture(scope="module")
def night(tmp_path_factory) -> Path:
    """A small campaign, measured on the simulated rig."""
    folder = tmp_path_factory.mktemp("good")
    (folder / "plan.toml").write_text(SMALL, encoding="utf-8")
    assert main(["rehearse", str(folder / "plan.toml"), "--into", str(folder / "night"), "--json"]) == 0
    return folder / "night"


def run_all(share: float, night: Path, tmp_path: Path) -> dict[str, Tally]:
    tallies = {}
    card = json.loads(CardModel().model_dump_json())
    parts: dict[str, tuple[int, Callable[[int, Path, Tally], None]]] = {
        "plans": (500, break_plans),
        "assumptions": (50, lambda n, f, t: break_beside("assume", n, f, t, tomllib.loads(ASSUME), text_of)),
        "card models": (50, lambda n, f, t: break_beside("model", n, f, t, card, json_of)),
        "mappings": (40, lambda n, f, t: break_beside("mapping", n, f, t, tomllib.loads(MAPPING), text_of)),
        "frame logs": (40, break_logs),
        "curves": (30, break_curves),
        "campaign folders": (50, lambda n, f, t: break_folders(n, night, f, t)),
        "command lines": (40, lambda n, f, t: break_words(n, night, f, t)),
    }
    for name, (count, do) in parts.items():
        folder = tmp_path / name.replace(" ", "-")
        folder.mkdir()
        if name == "mappings":
            logs = folder / "logs" / "title=salt" / "profile=factory"
            logs.mkdir(parents=True)
            shutil.copy(next(night.rglob("frames.parquet")), logs / "1.parquet")
        tallies[name] = Tally()
        do(max(1, round(share * count)), folder, tallies[name])
    return tallies


def assert_all_told(tallies: dict[str, Tally]) -> None:
    print("\n" + HEADING)
    for name, tally in tallies.items():
        print(tally.row(name))
    for tally in tallies.values():
        for line in (*tally.tracebacks, *tally.hangs, *tally.written, *tally.silent):
            print("  " + line)
    for tally in tallies.values():
        assert (tally.tracebacks, tally.hangs, tally.written, tally.silent) == ([], [], [], [])
    for name in ("plans", "mappings", "frame logs", "curves", "command lines"):
        assert set(tallies[name].codes) <= {0, 2}, name
    assert not {name for name, tally in tallies.items() if 1 in tally.codes} - {"campaign folders"}


@pytest.fixture
def elsewhere(tmp_path, monkeypatch) -> Path:
    """A working folder of its own, so that a file written there is seen."""
    folder = tmp_path / "here"
    folder.mkdir()
    monkeypatch.chdir(folder)
    return folder


def test_some_broken_inputs_are_told_and_write_nothing(night, tmp_path, elsewhere):
    assert_all_told(run_all(0.05, night, tmp_path))
    assert tree(elsewhere) == {}


@pytest.mark.endurance
def test_500_broken_plans_and_300_other_broken_inputs_are_told_and_write_nothing(night, tmp_path, elsewhere):
    assert_all_told(run_all(1.0, night, tmp_path))
    assert tree(elsewhere) == {}


@pytest.mark.parametrize("value", ABSURD)
def test_no_absurd_value_of_a_title_brings_a_traceback(value, tmp_path):
    """Each of them once in the same place, so that none depends on the draw."""
    path = tmp_path / "plan.toml"
    path.write_text(SMALL.replace("measure_s = 3", f"measure_s = {value}"), encoding="utf-8")
    tally = Tally()
    code = call(["check", path], tally, value[:40], tmp_path)
    assert (code in (0, 2), tally.tracebacks, tally.written) == (True, [], [])


def test_an_error_that_nobody_foresaw_is_told_in_a_sentence_with_its_file(tmp_path):
    """In a real process: no traceback on the screen, exit code 1, the details in a file."""
    script = (
        "import sys, harness.commands.check as p\n"
        "def fail(*_): raise ZeroDivisionError('made up')\n"
        "p.load_plan = fail\n"
        "from harness.cli import main\nsys.exit(main(['check', 'plan.toml']))\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    where = Path(done.stderr.split("the details are in ")[1].split(";")[0])
    assert "ZeroDivisionError: made up" in where.read_text("utf-8")
    where.unlink()


def test_a_broken_plan_in_a_real_process_ends_with_code_2(tmp_path):
    path = tmp_path / "plan.toml"
    path.write_text("a = " + "[" * 3000, encoding="utf-8")
    words = [sys.executable, "-m", "harness.cli", "run", str(path), "--into", str(tmp_path / "night")]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert (done.returncode, "Traceback" in done.stderr, (tmp_path / "night").exists()) == (2, False, False)
