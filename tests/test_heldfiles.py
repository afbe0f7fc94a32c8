"""A file that another program holds: tried again, then named. Codes: "System Error Codes", from memory."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from harness import heldfiles, inside
from harness.heldfiles import PAUSES_S, when_let

EMULATION = Path(__file__).parent / "emulation"


def refusal(code: int | None) -> PermissionError:
    error = PermissionError(errno.EACCES, "Access is denied", "table.csv")
    if code is not None:
        error.winerror = code  # type: ignore[attr-defined]
    return error


class Refusing:
    """An act that is refused so many times."""

    def __init__(self, times: int, code: int | None) -> None:
        self.left, self.code, self.calls = times, code, 0

    def __call__(self) -> str:
        self.calls += 1
        if self.left > 0:
            self.left -= 1
            raise refusal(self.code)
        return "done"


@pytest.mark.parametrize("code", [5, 32, 33])
@pytest.mark.parametrize("times", [0, 1, len(PAUSES_S)])
def test_an_act_is_repeated_until_the_file_is_let_go_of(code: int, times: int) -> None:
    slept: list[float] = []
    act = Refusing(times, code)
    assert when_let(act, "table.csv", pause=slept.append) == "done"
    assert slept == list(PAUSES_S[:times])
    assert act.calls == times + 1


@pytest.mark.parametrize(
    ("code", "holders", "said"),
    [
        (32, ["sheets.exe (process 41)"], "sheets.exe (process 41) holds table.csv open; close it there"),
        (33, [], "another program holds table.csv open; close it there"),
        (5, [], "another program may hold table.csv open, or a right is missing"),
    ],
)
def test_in_the_end_the_file_is_named_with_who_holds_it(code: int, holders: list[str], said: str) -> None:
    with pytest.raises(PermissionError) as caught:
        when_let(Refusing(99, code), Path("a/table.csv"), pause=lambda s: None, holders=lambda path: holders)
    assert said in (caught.value.strerror or "")
    assert caught.value.filename == str(Path("a/table.csv"))


def test_any_other_refusal_is_not_repeated() -> None:
    for code in (None, 2, 183):
        act = Refusing(1, code)
        with pytest.raises(PermissionError):
            when_let(act, "x", pause=lambda s: pytest.fail("waited"))
        assert act.calls == 1


def test_opening_tells_no_code_there_and_counts_for_a_file_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "log.csv").write_text("x")
    monkeypatch.setattr("sys.platform", "win32")
    for path, expected in ((tmp_path / "log.csv", True), (tmp_path, False), (tmp_path / "none", False)):
        assert heldfiles.may_pass(PermissionError(errno.EACCES, "Permission denied", str(path))) is expected


def emulated(code: str, folder: Path, *arguments: object) -> subprocess.CompletedProcess[str]:
    """Run a program whose acts count as the program's own, with files as Windows has them."""
    program = folder / "harness" / "program.py"
    program.parent.mkdir(exist_ok=True)
    program.write_text(code)
    environment = {**os.environ, "LEVELRIG_TEST_AS_WINDOWS": str(folder), "PYTHONPATH": str(EMULATION)}
    words = [sys.executable, str(program), *map(str, arguments)]
    return subprocess.run(words, capture_output=True, text=True, env=environment, timeout=60, check=False)


@pytest.mark.parametrize(
    ("act", "refused"),
    [
        ("os.replace('free', 'held')", "held open"),
        ("os.replace('held', 'new')", "held open"),
        ("Path('held').unlink()", "held open"),
        ("os.rename('folder', 'moved')", "held open"),
        ("os.replace('free', 'new')", ""),
        ("Path('free').unlink()", ""),
        ("shutil.rmtree('other')", ""),
        ("open('NUL.txt', 'w')", "is a device"),
        ("Path('aux').mkdir()", "is a device"),
        ("open('a:b', 'w')", "holds ':'"),
        ("open('a.', 'w')", "ends in a dot"),
        ("open('FREE', 'w')", "the same name"),
        ("open('d' * 240, 'w')", "signs, at most 259"),
        ("os.open('com1', os.O_CREAT | os.O_WRONLY)", "is a device"),
        ("open('console.txt', 'w').close()", ""),
    ],
)  # fmt: skip
def test_the_emulation_refuses_what_windows_does_and_nothing_else(
    act: str, refused: str, tmp_path: Path
) -> None:
    (tmp_path / "free").write_text("x")
    for name in ("folder", "other"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "inner").write_text("x")
    setup = "import os, shutil\nfrom pathlib import Path\nos.chdir(os.sys.argv[1])\n"
    setup += "held = [open('held', 'w'), open('folder/inner')]\n"
    ended = emulated(setup + act, tmp_path, tmp_path)
    if refused:
        assert ended.returncode == 1
        assert refused in ended.stderr
    else:
        assert ended.returncode == 0, ended.stderr


def test_a_file_that_is_let_go_of_in_time_is_replaced_under_the_emulation(tmp_path: Path) -> None:
    """The whole way: refused while another process reads, replaced once it has closed."""
    code = (
        "import os, subprocess, sys, threading\nfrom pathlib import Path\nfrom harness import inside\n"
        "folder = Path(sys.argv[1]); (folder / 't').write_text('old')\n"
        "reader = open(folder / 't')\nthreading.Timer(0.3, reader.close).start()\n"
        "inside.write_whole(folder, folder / 't', b'new'); print((folder / 't').read_text())\n"
    )
    ended = emulated(code, tmp_path, tmp_path)
    assert ended.stdout.strip() == "new", ended.stderr


def test_a_tree_goes_although_a_file_in_it_is_held_for_a_moment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "t" / "a").mkdir(parents=True)
    (tmp_path / "t" / "a" / "f").write_text("x")
    real, refused = os.unlink, [2]

    def unlink(path: Any, **more: Any) -> None:
        if refused[0]:
            refused[0] -= 1
            raise refusal(32)
        real(path, **more)

    monkeypatch.setattr(os, "unlink", unlink)
    heldfiles.remove_tree(tmp_path / "t")
    assert not (tmp_path / "t" / "a" / "f").exists()
    inside.remove_tree(tmp_path, tmp_path / "t")
    assert not (tmp_path / "t").exists()
