"""Every command on streams that know few signs: none ends by a sign, and none loses one without a stand-in.

ASCII is what all code pages share, so what works there works under each; four pages of real systems (Western
European, Japanese, the first PC's, UTF-8) are tried by hand as well: ``pytest -m endurance`` with this file.
"""

from __future__ import annotations

import codecs
import io
import os
import subprocess
import sys
import unicodedata
from pathlib import Path

import pytest

from harness import streams
from harness.cli import main
from harness.commands import COMMANDS
from harness.streams import STAND_INS, fit, stand_in

ROOT = Path(__file__).parents[1]
PAGES = ("cp1252", "cp932", "cp437", "utf-8")
PLAN = """
[plan]
question = "Größer − oder × gleich? 日本 ▲ …"
repeats = 2
reference = "factory"
allow_hardware_changes = true

[conditions]
cooldown = { seconds = 2 }
warm_up = { seconds = 2 }

[sampling]
period_s = 0.5

[[profiles]]
name = "factory"

[[profiles]]
name = "slow"
control = "processor"
thread_count = 1
label = "λ ≤ 5 µs"

[[titles]]
name = "salt-road"
label = "Salt Road ½ ✓"
workload = "scene"
scene = "slow-tide"
measure_s = 10
"""
LOG = "frametime;szene\n" + "".join(f"{16.6 + n % 3:.1f};Brücke − Süd\n" for n in range(400))


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a plan, a rehearsed campaign of it and a frame log."""
    folder = tmp_path_factory.mktemp("Größe-日本")
    (folder / "plan.toml").write_text(PLAN, encoding="utf-16")  # as PowerShell's > writes it
    (folder / "log.csv").write_text(LOG, encoding="utf-16")
    assert main(["rehearse", str(folder / "plan.toml"), "--into", str(folder / "night")]) == 0
    return folder


def words_of(command: str, folder: Path) -> list[list[str]]:
    """Command lines of a command that end by themselves here and change nothing outside the folder."""
    plan, night = str(folder / "plan.toml"), str(folder / "night")
    missing = str(folder / "no − such ▲")
    lines = {
        "new": [["new", plan]],
        "check": [["check", plan]],
        "schema": [["schema"], ["schema", "--into", str(folder / "schema.json")]],
        "try": [["try", plan, "no-such-title"]],
        "run": [["run", missing]],
        "rehearse": [["rehearse", missing]],
        "status": [["status", night]],
        "verify": [["verify", night]],
        "map": [["map", str(folder / "log.csv")]],
        "analyse": [["analyse", night]],
        "report": [["report", night]],
        "summary": [["summary", night, "--form", form] for form in ("text", "markdown", "html")],
        "explain": [["explain", night, "answer"]],
        "watch": [["watch", missing]],
        "rebuild": [["rebuild", missing]],
        "doctor": [["doctor", "--characterise", missing]],
        "restore": [["restore", "--card", missing]],
        "resume-at-boot": [["resume-at-boot", "enable", missing]],
        "stop": [["stop", missing]],
    }
    return [[command, "--help"], *lines.get(command, [])]  # one that must build or measure: its help


def spoken(words: list[str], page: str, monkeypatch: pytest.MonkeyPatch) -> tuple[int, str]:
    """Exit code, and what was printed on a stream of that code page that lacks the rest."""
    written = io.BytesIO()
    with monkeypatch.context() as patch:
        for name in ("stdout", "stderr"):
            stream = io.TextIOWrapper(written, encoding=page, errors="strict", write_through=True)
            patch.setattr(sys, name, stream)
        patch.setattr(sys, "stdin", io.StringIO(""))
        try:
            code = main(words)
        except SystemExit as ended:
            code = int(ended.code or 0)
        sys.stdout.flush()
        text = written.getvalue().decode(page)
    return code, text


def check_all(page: str, command: str, night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for words in words_of(command, night):
        code, text = spoken(words, page, monkeypatch)
        assert "failed unexpectedly" not in text, words
        assert "codec" not in text, words
        assert code in (0, 1, 2, 3), words
        assert text.strip() or "--into" in words, words


@pytest.mark.parametrize("command", COMMANDS)
def test_no_sign_ends_a_command_where_only_ascii_is_known(
    command: str, night: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    check_all("ascii", command, night, monkeypatch)


@pytest.mark.endurance
@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize("command", COMMANDS)
def test_no_sign_ends_a_command_under_a_real_code_page(
    page: str, command: str, night: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    check_all(page, command, night, monkeypatch)


@pytest.mark.parametrize("page", PAGES)
def test_a_redirected_report_ends_well_and_says_the_same_under_each_code_page(page: str, night: Path) -> None:
    words = [sys.executable, "-m", "harness.cli", "status", str(night / "night")]
    environment = {**os.environ, "PYTHONIOENCODING": page, "PYTHONUTF8": "0"}
    with (night / "out.txt").open("wb") as file:
        ended = subprocess.run(words, stdout=file, stderr=file, env=environment, timeout=120, check=False)
    text = (night / "out.txt").read_bytes().decode(page)
    assert ended.returncode == 0, text
    assert "4 of 4" in text


@pytest.mark.parametrize("page", ["ascii", *PAGES])
def test_a_page_of_text_is_fed_to_the_pager_in_its_code_page(
    page: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    fed: list[str] = []
    monkeypatch.setattr("pydoc.pager", fed.append)
    stream = io.TextIOWrapper(io.BytesIO(), encoding=page)
    monkeypatch.setattr(sys, "stdout", stream)
    from harness.terminal import PlainConsole, paged

    out = PlainConsole(force_terminal=True, width=80, color_system=None)
    with paged(out):
        out.print("−5 % × 3 ▲ 日本 λ", markup=False)
    assert fed
    fed[0].encode(page)  # raises where the pager would
    assert "5 %" in fed[0]


def test_signs_have_stand_ins_and_letters_of_a_path_keep_their_number() -> None:
    assert fit("−5 % × 3 … → “a” 1–2 ±1", "ascii") == '-5 % x 3 ... -> "a" 1-2 +-1'
    assert fit("C:\\Größe", "cp932") == "C:\\Gr\\xf6\\xdfe"
    assert fit("Größe ± µ", "cp1252") == "Größe ± µ"
    assert fit("日本", "cp932") == "日本"
    assert fit("\udcff − ☃", "utf-8") == "\\udcff − ☃"
    assert fit("a", "no-such-encoding") == "a"


def test_every_sign_in_the_texts_of_the_program_has_a_stand_in() -> None:
    """Letters are left out: names in docstrings have them, and those of a path have none on purpose."""
    folders = (ROOT / "harness", ROOT / "plugins" / "harness_plugins")
    texts = (path.read_text(encoding="utf-8") for folder in folders for path in folder.rglob("*.py"))
    signs = {sign for text in texts for sign in text if not sign.isascii()}
    assert {"−", "×", "°", "±"} <= signs
    letters = {sign for sign in signs if unicodedata.category(sign).startswith("L")}
    without = sorted(s for s in (signs - letters) | {"µ", "μ", "σ", "Δ"} if stand_in(s).startswith("\\"))
    assert without == []


def test_the_handler_answers_for_encoding_only() -> None:
    with pytest.raises(UnicodeDecodeError):
        b"\xff".decode("utf-8", STAND_INS)
    assert codecs.lookup_error(STAND_INS) is streams._replace
