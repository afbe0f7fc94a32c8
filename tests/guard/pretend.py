"""A pretend card: a file that a tool of the user's writes, and a plan that tunes it. For real processes."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import psutil

#: ``tool.py set NAME`` writes the card, after a delay and perhaps from a process that has detached itself.
TOOL = """
import json, os, subprocess, sys, time
from pathlib import Path
here = Path(__file__).parent
card, log = here / "card", here / "log"
verb, name = sys.argv[1], sys.argv[2]
options = json.loads((here / "options.json").read_text())
if verb == "show":
    print("state", card.read_text())
elif verb == "set":
    with log.open("a") as file:
        file.write(f"begin {name}\\n")
    if name != "factory" and options["detach"]:
        environment = {} if options["scrub"] else None  # as sudo does
        subprocess.Popen([sys.executable, __file__, "late", name], start_new_session=True, env=environment)
        time.sleep(options["apply_s"])
        raise SystemExit(0)
    time.sleep(options["restore_s"] if name == "factory" else options["apply_s"])
    if name == "factory" and (here / "stuck").exists():
        raise SystemExit("the driver does not answer")
    new = here / f"card.{os.getpid()}"
    new.write_text(name)
    new.replace(card)
    with log.open("a") as file:
        file.write(f"end {name}\\n")
else:
    time.sleep(options["apply_s"] + 0.5)
    card.write_text(name)
"""
TITLE = """
import sys, time
from pathlib import Path
card = Path(sys.argv[1]) / "card"
with open("frames.csv", "w") as frames:
    frames.write("dt\\n")
    while True:
        print("state", card.read_text(), flush=True)
        for _ in range(5):
            time.sleep(0.01)
            frames.write("10.0\\n")
        frames.flush()
"""


@dataclass
class Pretend:
    """The card's folder, a plan for it, and a machine's state folder of its own."""

    folder: Path

    def __post_init__(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        self.tool, self.card = self.folder / "tool.py", self.folder / "card"
        self.tool.write_text(TOOL)
        (self.folder / "title.py").write_text(TITLE)
        self.card.write_text("factory")
        self.options()
        self.machine = self.folder / "machine"
        self.record = self.machine / "restore.json"

    def options(
        self, *, apply_s: float = 0.0, restore_s: float = 0.0, detach: bool = False, scrub: bool = False
    ) -> None:
        text = json.dumps({"apply_s": apply_s, "restore_s": restore_s, "detach": detach, "scrub": scrub})
        (self.folder / "options.json").write_text(text)

    @property
    def state(self) -> str:
        return self.card.read_text()

    def words(self, *arguments: str) -> list[str]:
        return [sys.executable, str(self.tool), *arguments]

    def plan(self, *, repeats: int = 2, measure_s: float = 1.0, timeout_s: float = 60.0) -> Path:
        lines = [
            "[plan]",
            'question = "Does the guard hold?"',
            f"repeats = {repeats}",
            'reference = "plain"',
            "allow_hardware_changes = true",
            "[conditions]",
            "cooldown = { seconds = 0.2 }",
            "warm_up = { seconds = 0.2 }",
            "[sampling]",
            "period_s = 0.5",
            "[checks]",
            'mark_only = ["foreign-cpu-load", "foreign-gpu-load", "start-temperature",',
            '  "ambient-temperature",',
            '  "frame-cap", "frame-log-short", "frame-log-repeated", "long-pause", "telemetry-gap",',
            '  "memory-exhausted", "window-short", "limit-reasons"]',
        ]
        for name in ("plain", "quiet"):
            lines += [
                "[[profiles]]",
                f'name = "{name}"',
                'control = "command"',
                f"apply = {json.dumps(self.words('set', name))}",
                f"restore = {json.dumps(self.words('set', 'factory'))}",
                f"verify = {json.dumps(self.words('show', '-'))}",
                f'verify_line = "^state {name}$"',
                f"timeout_s = {timeout_s:g}",
            ]
        title = json.dumps([sys.executable, str(self.folder / "title.py"), str(self.folder)])
        lines += [
            "[[titles]]",
            'name = "harbour-lights"',
            'workload = "command"',
            f"command = {title}",
            f"measure_s = {measure_s:g}",
            'frame_log = { path = "frames.csv", interval_column = "dt", unit = "ms" }',
        ]
        path = self.folder / "plan.toml"
        path.write_text("\n".join(lines) + "\n")
        return path

    def factory_plan(self) -> Path:
        """The same title, on a card that is to be as its maker set it."""
        text = self.harmless_plan().read_text()
        path = self.folder / "factory.toml"
        path.write_text(re.sub(r'control = "processor"\nthread_count = \d', 'control = "factory"', text))
        return path

    def harmless_plan(self) -> Path:
        """The same title without a control that changes hardware."""
        text = self.plan(repeats=1).read_text()
        head, _, rest = text.partition("[[profiles]]")
        _, _, titles = rest.partition("[[titles]]")
        profiles = "".join(
            f'[[profiles]]\nname = "{name}"\ncontrol = "processor"\nthread_count = {count}\n'
            for name, count in (("plain", 1), ("quiet", 2))
        )
        path = self.folder / "harmless.toml"
        path.write_text(f"{head}{profiles}[[titles]]{titles}")
        return path


#: The command line with a state folder of the test's own: as root it is the machine's otherwise.
LAUNCHER = """
import os, signal, sys
from pathlib import Path
import harness.guard.changers, harness.guard.lock, harness.guard.record, harness.guard.watch
state = Path(sys.argv.pop(1))
silent_s = float(sys.argv.pop(1))
for module in (harness.guard.changers, harness.guard.lock, harness.guard.record):
    module.state_folder = lambda: state
if os.environ.pop("HOLD_WATCH", ""):  # a busy machine: the watch is started and does not get on
    start = harness.guard.watch.Watch.__init__
    def hold(self, *args, **named):
        start(self, *args, **named)
        os.kill(self.pid, signal.SIGSTOP)
    harness.guard.watch.Watch.__init__ = hold
elif silent_s:
    harness.guard.watch.Watch.__init__.__defaults__ = (None, silent_s)
from harness.cli import main
sys.exit(main())
"""


def levelrig(
    pretend: Pretend, *arguments: str | Path, silent_s: float = 0.0, hold_watch: bool = False
) -> subprocess.Popen[str]:
    """Start a command of ours in the card's folder, with its output in a pipe."""
    environment = {**os.environ, "HOLD_WATCH": "yes"} if hold_watch else None
    return subprocess.Popen(
        [sys.executable, "-P", "-c", LAUNCHER, str(pretend.machine), str(silent_s), *map(str, arguments)],
        cwd=pretend.folder,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=environment,
    )


def wait_until(true: object, limit_s: float = 60.0) -> bool:
    end_s = time.monotonic() + limit_s
    while time.monotonic() < end_s:
        if true():  # type: ignore[operator]
            return True
        time.sleep(0.02)
    return False


def marked(word: str) -> Iterator[psutil.Process]:
    """Living processes whose command line has that word."""
    for process in psutil.process_iter():
        with contextlib.suppress(psutil.Error):
            if word in " ".join(process.cmdline()) and process.status() != psutil.STATUS_ZOMBIE:
                yield process


def end_all(word: str) -> None:
    """End what a test left running, by a word that only its processes have: its folder."""
    for process in marked(word):
        with contextlib.suppress(psutil.Error):
            process.send_signal(getattr(signal, "SIGCONT", signal.SIGTERM))
            process.kill()


def states_seen(output: Path) -> set[str]:
    """States that a title saw, from its kept output."""
    import gzip

    opener = gzip.open if output.suffix == ".gz" else open
    with opener(output, "rt") as file:
        return {line.split(maxsplit=1)[1].strip() for line in file if line.startswith("state ")}


def accepted_under_another_profile(campaign: Path) -> Sequence[str]:
    """Accepted attempts whose title saw another state of the card than its profile's."""
    import pyarrow.parquet as pq

    wrong = []
    for row in pq.read_table(campaign / "dataset" / "attempts.parquet").to_pylist():
        if row["verdict"] != "accepted":
            continue
        folder = campaign / "attempts" / row["cell_id"] / f"{row['repeat_index']}.{row['attempt_index']}"
        (output,) = folder.glob("output.log*")
        seen = states_seen(output)
        if seen != {row["profile"]}:
            wrong.append(f"{folder.name} of {row['profile']} saw {seen}")
    return wrong
