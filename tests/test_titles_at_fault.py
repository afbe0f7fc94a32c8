"""Real programs that start wrongly, leave no log or the wrong one: the rest of the night is measured.

The runs are started as the system takes a night up again (``--goes-on``): by hand such a night is refused.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

WRITES = (
    "import random,time;"
    "open('frames.csv','w').write('dt\\n'+''.join(f'{random.uniform(8,12):.3f}\\n' for _ in range(400)));"
    "print('score: 12.5',flush=True);time.sleep(60)"
)
GARBAGE = "import os,time;open('frames.csv','wb').write(b'PAR1'+os.urandom(4000));time.sleep(60)"
HEAD = """
[plan]
question = "Is the rest measured?"
repeats = 2
reference = "factory"
[conditions]
cooldown = { seconds = 0 }
warm_up = { seconds = 0 }
[retries]
attempts_per_repeat = 2
launch_tries = 2
[checks]
mark_only = ["frame-log-short", "frame-log-too-long", "foreign-cpu-load", "telemetry-gap", "readings-missing"]
[[profiles]]
name = "factory"
"""


LOG = 'path = "frames.csv", interval_column = "dt", unit = "ms"'


def title(name: str, command: list[str], *, log: str = LOG, more: str = "") -> str:
    frame_log = f"frame_log = {{ {log} }}" if log else ""
    return f"""
[[titles]]
name = "{name}"
workload = "command"
measure_s = 1
command = {json.dumps(command)}
{frame_log}
{more}
"""


def levelrig(*arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "harness.cli", *arguments],
        cwd=cwd,
        capture_output=True,
        text=True,
        timeout=400,
        check=False,
    )


def test_titles_at_fault_cost_their_own_cells_and_the_night_ends_with_exit_code_4(tmp_path):
    python = sys.executable
    plan = HEAD + "".join(
        [
            title("sound", [python, "-c", WRITES]),
            title("no-log", [python, "-c", "import time;time.sleep(60)"]),
            title("no-program", ["./there-is-no-such-program"]),
            title("sound-too", [python, "-c", WRITES], more='score_line = "score: ([0-9.]+)"'),
            title("no-column", [python, "-c", WRITES], log='path = "frames.csv", interval_column = "nope"'),
            title("unreadable", [python, "-c", GARBAGE]),
            title("no-score", [python, "-c", WRITES], log="", more='score_line = "points: ([0-9]+)"'),
            title("not-executable", [str(tmp_path / "plan.toml")]),
        ]
    )
    (tmp_path / "plan.toml").write_text(plan)
    refused = levelrig("run", "plan.toml", "--into", "c", cwd=tmp_path)
    assert (refused.returncode, (tmp_path / "c").exists()) == (2, False), refused.stderr
    run = levelrig("run", "plan.toml", "--into", "c", "--goes-on", "0", cwd=tmp_path)
    assert run.returncode == 4, run.stdout + run.stderr
    assert (tmp_path / "c" / "report" / "index.html").is_file()
    found = json.loads(levelrig("status", "c", "--json", cwd=tmp_path).stdout)
    cells = {cell["cell_id"].partition(".")[0]: cell for cell in found["cells"]}
    assert (cells["sound"]["accepted"], cells["sound-too"]["accepted"], found["accepted"]) == (2, 2, 4)
    assert {cell["cell_id"].partition(".")[0] for cell in found["cells_set_aside"]} == {
        "no-program",
        "no-column",
        "not-executable",
        "no-log",
        "unreadable",
        "no-score",
    }
    attempts = {name: cell["attempts"] for name, cell in cells.items()}
    assert attempts == {
        "sound": 2,
        "sound-too": 2,
        "no-log": 2,
        "unreadable": 2,
        "no-score": 2,
        "no-program": 1,
        "no-column": 1,
        "not-executable": 1,
    }
    assert "there is no program './there-is-no-such-program'" in " ".join(run.stdout.split())
    shown = levelrig("status", "c", cwd=tmp_path).stdout
    assert "set aside until its cause is fixed: no-program.default.factory" in shown
    log = (tmp_path / "c" / "log.jsonl").read_text()
    assert "Traceback" in log


def test_a_working_folder_missing_for_all_titles_pauses_and_once_there_the_same_command_measures(tmp_path):
    plan = HEAD + "".join(
        title(name, [sys.executable, "-c", WRITES], more='working_folder = "games"')
        for name in ("quay", "salt", "road")
    )
    (tmp_path / "plan.toml").write_text(plan)
    paused = levelrig("run", "plan.toml", "--into", "c", "--goes-on", "0", cwd=tmp_path)
    assert paused.returncode == 3, paused.stdout + paused.stderr
    assert "3 cells failed alike" in " ".join(paused.stdout.split())
    (tmp_path / "games").mkdir()
    again = levelrig("run", "plan.toml", "--into", "c", cwd=tmp_path)
    assert again.returncode == 0, again.stdout + again.stderr
    assert "tried again, as the cause may be fixed by now" in again.stdout
    found = json.loads(levelrig("status", "c", "--json", cwd=tmp_path).stdout)
    assert (found["accepted"], found["wanted"], found["cells_set_aside"]) == (6, 6, [])
