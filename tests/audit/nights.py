"""Small nights of every kind that happens, made by the program as a user runs it: command line, then files.

Nothing of levelrig is imported here or in the rest of this folder (``test_audit.py`` keeps that): what the
program publishes is worked out again from its rawest files by other code. ``python tests/audit/nights.py KIND
FOLDER`` makes one to look at.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Night:
    """One campaign as it was made.

    Attributes:
        folder: The campaign's folder.
        printed: What the command that made it printed.
        code: Its exit code.
    """

    folder: Path
    printed: str
    code: int


def levelrig(*words: str | Path, code: int | None = 0) -> str:
    """What ``levelrig WORDS`` prints, 200 columns wide; its exit code must be ``code`` (None: any)."""
    done = _run(words)
    if code is not None and done.returncode != code:
        raise AssertionError(f"{words}: exit code {done.returncode}\n{done.stdout}\n{done.stderr}")
    return done.stdout


def _run(words: Sequence[str | Path]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "harness.cli", *map(str, words)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        cwd=ROOT,
        env={**os.environ, "COLUMNS": "200", "NO_COLOR": "1", "PYTHONIOENCODING": "utf-8"},
    )


def plan_text(
    profiles: Sequence[str],
    titles: Sequence[str],
    *,
    head: str = "",
    tables: str = "",
) -> str:
    """A plan in TOML.

    Args:
        profiles: Keys of each profile, the reference ``factory`` first, which needs none.
        titles: Keys of each title.
        head: Further keys of ``[plan]``.
        tables: Further tables.
    """
    keys = "" if "repeats" in head else "repeats = 3\n"
    text = (
        '[plan]\nname = "small night"\nquestion = "Is quiet as good as factory?"\nreference = "factory"\n'
        f"allow_hardware_changes = true\n{keys}{head}\n[conditions]\ncooldown = {{ seconds = 4 }}\n"
        f'warm_up = {{ seconds = 2 }}\n{tables}\n[[profiles]]\nname = "factory"\n'
    )
    text += "".join(f"[[profiles]]\n{keys}\n" for keys in profiles)
    return text + "".join(f"[[titles]]\n{keys}\n" for keys in titles)


QUIET = 'name = "quiet"\ncontrol = "simulated"\npower_limit_pct = 80'
BRITTLE = 'name = "brittle"\ncontrol = "simulated"\npower_limit_pct = 70'
HARBOUR, CANYON, COMET = (
    f'name = "{name}"\nworkload = "simulated"\nmeasure_s = 6' for name in ("harbour", "canyon", "comet")
)


def scored(name: str, better: str) -> str:
    """Keys of a title that prints a score and no frames."""
    return (
        f'name = "{name}"\nworkload = "command"\ncommand = ["./{name}"]\nmeasure_s = 6\n'
        f"score_line = 'score (\\d+)'\nscore_better = \"{better}\""
    )


def rehearsed(folder: Path, plan: str, assume: str = "", seed: int = 3) -> Night:
    """Rehearse a plan into ``folder / "night"``."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "plan.toml").write_text(plan, encoding="utf-8")
    (folder / "assume.toml").write_text("frame_rate_scale = 0.5\n" + assume, encoding="utf-8")
    night = folder / "night"
    words = ["rehearse", folder / "plan.toml", "--assume", folder / "assume.toml", "--into", night]
    done = _run([*words, "--seed", str(seed)])
    if not (night / "CITATION.cff").is_file():  # the last file that a report writes
        raise AssertionError(f"no report: exit code {done.returncode}\n{done.stdout}\n{done.stderr}")
    return Night(night, done.stdout, done.returncode)


def complete(folder: Path) -> Night:
    """Nothing goes wrong; sentinels, accuracy of instruments, price of electricity; two settings."""
    settings = 'settings = [{ name = "low", label = "Low" }, { name = "high", label = "High" }]'
    tables = (
        '[sentinels]\nevery = 6\n[cost]\nprice_per_kwh = 0.31\ncurrency = "EUR"\n'
        "[instruments]\npower_w = { accuracy_pct = 2.0, resolution = 0.1 }\n"
        "core_temp_c = { accuracy = 1.0, resolution = 1.0 }\n"
    )
    return rehearsed(folder, plan_text([QUIET], [HARBOUR, CANYON, f"{COMET}\n{settings}"], tables=tables))


def crashing(folder: Path) -> Night:
    """One profile crashes twice in one title and is set aside there; once in another, which it survives."""
    faults = "".join(
        f'[[faults]]\nkind = "title-crash"\ncell = "{cell}"\n{run}\nafter_s = 4\n'
        for cell, run in (
            ("canyon.*.brittle", "run = 1"),
            ("canyon.*.brittle", "run = 2"),
            ("canyon.*.brittle", "run = 3"),
            ("comet.*.brittle", "run = 2"),
        )
    )
    return rehearsed(folder, plan_text([QUIET, BRITTLE], [HARBOUR, CANYON, COMET]), faults)


def title_missing(folder: Path) -> Night:
    """One title, measured under factory first, leaves no frame log under quiet; another one never does."""
    faults = "".join(
        f'[[faults]]\nkind = "frame-log-missing"\ncell = "{cell}"\nrun = {run}\nafter_s = 0\n'
        for cell in ("canyon.*.quiet", "comet.*")
        for run in range(1, 10)
    )
    return rehearsed(folder, plan_text([QUIET], [CANYON, HARBOUR, COMET]), faults)


def scores(folder: Path) -> Night:
    """Two titles give a score, one of which is better when it is less; the third gives frames."""
    titles = [HARBOUR, scored("timber", "lower"), scored("lantern", "higher")]
    return rehearsed(folder, plan_text([QUIET], titles))


def adaptive(folder: Path) -> Night:
    """Repeats are added until every comparison is decided."""
    head = "repeats = { at_least = 3, at_most = 5, until_margin_is_decided = true }\n"
    return rehearsed(folder, plan_text([QUIET], [HARBOUR, CANYON], head=head))


def shuffled(folder: Path) -> Night:
    """The order of the night is by chance alone."""
    return rehearsed(folder, plan_text([QUIET], [HARBOUR, CANYON], head='order = "shuffled"\nseed = 5\n'))


def remeasured(folder: Path) -> Night:
    """One repeat runs slow and is measured once more; the room is warmer from one run on, which marks."""
    faults = (
        '[[faults]]\nkind = "slow-run"\ncell = "harbour.*.quiet"\nrun = 3\namount = 12\nafter_s = 0\n'
        'lasts_s = 60\n[[faults]]\nkind = "ambient-jump"\ncell = "canyon.*.factory"\nrun = 4\namount = 6\n'
        "after_s = 0\n"
    )
    head = "repeats = 5\n"
    return rehearsed(folder, plan_text([QUIET], [HARBOUR, CANYON], head=head), faults)


#: Kind -> how it is made; two nights together are made by their own test.
KINDS: dict[str, Callable[[Path], Night]] = {
    "complete": complete,
    "crashing": crashing,
    "title missing": title_missing,
    "scores": scores,
    "adaptive": adaptive,
    "shuffled": shuffled,
    "re-measured": remeasured,
}


if __name__ == "__main__":
    made = KINDS[sys.argv[1]](Path(sys.argv[2]))
    print(json.dumps({"folder": str(made.folder), "code": made.code}))
    print(made.printed)
