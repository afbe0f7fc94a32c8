"""Root in a folder of another user, who planted a link at each name: nothing outside is read or written.

Common practice, no source: what a link leads to is a whole and sound file of another campaign, so that
whoever follows it goes on without noticing; each holds words that nothing else has. Every name with real
processes: ``pytest -m endurance tests/test_planted_links.py``; by default some names, in this process.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from harness.cli import main

pytestmark = pytest.mark.skipif(
    sys.platform == "win32" or os.geteuid() != 0, reason="becomes root in another user's folder"
)
NOBODY = 65534
SECRET = "gannet-7731"
PLAN = """
[plan]
question = "What {word} brings?"
repeats = 1
reference = "a"
[conditions]
cooldown = {{ seconds = 0.2 }}
warm_up = {{ seconds = 0.2 }}
[[profiles]]
name = "a"
control = "processor"
thread_count = 1
[[profiles]]
name = "b"
control = "processor"
thread_count = 2
[[titles]]
name = "tarn-ridge"
label = "{word}"
workload = "scene"
scene = "tarn-ridge"
measure_s = 5
"""
#: What a campaign may hold that a rehearsal does not leave behind.
MORE = ("run.log", "live.json", "control.json", "supervisor.json", "journal.mended", "journal.sqlite-wal")
NAMES = (
    "attempts", "dataset", "report", "journal.sqlite", "plan.toml", "rig.json", "manifest.json", "log.jsonl",
    "lock", "ballast", "CITATION.cff", "ro-crate-metadata.json", "rehearsal.json",
    "report/index.html", "report/numbers.json", "dataset/attempts.parquet", "dataset/cells.csv",
    "attempts/tarn-ridge.default.a", "attempts/tarn-ridge.default.a/1.1",
    "attempts/tarn-ridge.default.a/1.1/frames.parquet", "attempts/tarn-ridge.default.a/1.1/attempt.json",
    *MORE,
)  # fmt: skip
COMMANDS = (
    ("status", "{}"), ("verify", "{}"), ("explain", "{}", "cell/tarn-ridge.default.a/average_fps"),
    ("analyse", "{}", "--into", "{}/dataset"), ("stop", "{}", "--timeout-s", "0.2"), ("report", "{}"),
    ("resume-at-boot", "show", "{}"), ("rebuild", "{}"), ("rehearse", "plan.toml", "--into", "{}"),
)  # fmt: skip


def rehearsed(place: Path, word: str) -> Path:
    place.mkdir(parents=True, exist_ok=True)
    (place / "plan.toml").write_text(PLAN.format(word=word))
    ended = levelrig(place, "rehearse", "plan.toml", "--into", "c")
    assert ended.returncode in (0, 4), ended.stdout
    for name in MORE:
        if not (place / "c" / name).exists():
            content = {"pid": 1, "since_utc": "2099-01-01T00:00:00+00:00", "question": word}
            (place / "c" / name).write_text(json.dumps(content))
    return place / "c"


def levelrig(place: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "harness.cli", *words],
        cwd=place,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=300,
        check=False,
    )


def states_of(folder: Path) -> dict[str, tuple[int, bytes]]:
    return {
        str(path): (path.stat().st_mtime_ns, path.read_bytes())
        for path in folder.rglob("*")
        if path.is_file()
    }


@pytest.fixture(scope="module")
def campaigns(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """(the campaign in which links are planted, the one that they lead to)."""
    place = tmp_path_factory.mktemp("links")
    return rehearsed(place / "home", "harbour"), rehearsed(place / "roots", SECRET)


def plant(campaign: Path, outside: Path, case: Path, name: str) -> None:
    shutil.copytree(campaign, case)
    for extra in MORE:
        (case / extra).unlink()
    place = case / name
    if place.is_dir():
        shutil.rmtree(place)
    place.unlink(missing_ok=True)
    place.symlink_to(outside / name)
    for path in (case, *case.rglob("*")):
        os.lchown(path, NOBODY, NOBODY)


def try_all(campaigns: tuple[Path, Path], place: Path, name: str, call: Callable[..., str]) -> None:
    campaign, outside = campaigns
    before = states_of(outside)
    (place / "plan.toml").write_text(PLAN.format(word="harbour"))
    case = place / "c"
    for words in COMMANDS:
        shutil.rmtree(case, ignore_errors=True)
        plant(campaign, outside, case, name)
        told = call(*(word.format(case) for word in words))
        assert states_of(outside) == before, (words, told)
        assert "nobody foresaw" not in told, (words, told)
        assert SECRET not in told, words
        for path in case.rglob("*"):
            if path.is_file() and not any(p.is_symlink() for p in (path, *path.parents)):
                assert SECRET.encode() not in path.read_bytes(), (words, path)


@pytest.mark.parametrize("name", ["attempts", "dataset", "report/index.html", "journal.sqlite", "live.json"])
def test_no_command_follows_a_planted_link(
    campaigns: tuple[Path, Path],
    tmp_path: Path,
    name: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def call(*words: str) -> str:
        main(words)
        return "".join(capsys.readouterr())

    monkeypatch.chdir(tmp_path)
    try_all(campaigns, tmp_path, name, call)


@pytest.mark.endurance
@pytest.mark.parametrize("name", NAMES)
def test_no_process_follows_a_link_at_any_name(
    campaigns: tuple[Path, Path], tmp_path: Path, name: str
) -> None:
    try_all(campaigns, tmp_path, name, lambda *words: levelrig(tmp_path, *words).stdout)
