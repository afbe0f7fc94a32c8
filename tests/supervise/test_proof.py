from __future__ import annotations

import contextlib
import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from harness.errors import DiskFull, NotWritable
from harness.store.records import longest_path_below
from harness.supervise.proof import prove_long_paths, prove_writable


def test_a_folder_that_can_be_written_is_left_as_it_was(tmp_path):
    prove_writable(tmp_path, "the campaign", "grant access")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there_yet_is_proved_by_the_one_above_and_not_made(tmp_path):
    prove_writable(tmp_path / "a" / "b", "the campaign", "grant access")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("number", "kind"), [(errno.EROFS, NotWritable), (errno.ENOSPC, DiskFull), (errno.EACCES, NotWritable)]
)
def test_what_the_system_refuses_becomes_an_error_with_a_remedy(tmp_path, monkeypatch, number, kind):
    def refuse(descriptor):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(kind) as caught:
        prove_writable(tmp_path, "the machine's record", "run it as another user")
    assert caught.value.exit_code == 3
    assert "nothing was changed" in str(caught.value)
    assert ("make room" if number == errno.ENOSPC else "another user") in str(caught.value)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() != 0, reason="mounts a small file system")
@pytest.mark.parametrize(("options", "kind"), [("size=16k", DiskFull), ("ro,size=1m", NotWritable)])
def test_a_full_and_a_read_only_file_system_are_noticed(tmp_path, options, kind):
    """On a real file system, in a mount namespace of its own."""
    code = (
        "import sys; from pathlib import Path; from harness.supervise.proof import prove_writable\n"
        "try: prove_writable(Path(sys.argv[1]), 'it', 'do')\n"
        "except Exception as error: print(type(error).__name__)"
    )
    script = f'mount -t tmpfs -o {options} none "$0" && exec "$1" -c "$2" "$0"'
    ended = subprocess.run(
        ["unshare", "-m", "sh", "-c", script, str(tmp_path), sys.executable, code],
        capture_output=True,
        text=True,
        check=False,
    )
    if "Operation not permitted" in ended.stderr or "unshare" in ended.stderr:
        pytest.skip("no mount namespaces here")
    assert ended.stdout.strip() == kind.__name__, ended.stderr


def test_a_path_as_long_as_the_campaigns_longest_is_tried_and_taken_away(tmp_path: Path) -> None:
    as_windows = "LEVELRIG_TEST_AS_WINDOWS" in os.environ  # where it is refused, and leaves nothing either
    for folder, longest_below in ((tmp_path / "night", 100), (tmp_path / "a" / "night", 700)):
        with pytest.raises(NotWritable) if as_windows and longest_below > 259 else contextlib.nullcontext():
            prove_long_paths(folder, longest_below)
    assert list(tmp_path.iterdir()) == []


def test_a_path_that_the_system_does_not_take_is_told_before_the_night(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """259 signs: "Maximum Path Length Limitation", learn.microsoft.com, from memory."""
    made: list[str] = []

    def refuse(self: Path, *arguments: object, **options: object) -> None:
        made.append(str(self))
        raise FileNotFoundError(2, "The system cannot find the path specified")

    monkeypatch.setattr(Path, "mkdir", refuse)
    with pytest.raises(NotWritable, match=r"reach \d+ characters.*name a shorter folder with --into"):
        prove_long_paths(tmp_path / "night", 260)
    assert len(made[0]) == len(str(tmp_path / "night")) + 1 + 260


def test_the_longest_path_holds_every_name_that_a_plan_can_have() -> None:
    """Three names of 48 signs at most (``plan.parts.Name``)."""
    cell = ".".join(["n" * 48] * 3)
    assert longest_path_below(["a.b.c", cell]) == len(f"attempts/{cell}/second-look-999.99/") + 48
