"""Attacks on a folder that somebody else may write to: no link is followed, nothing special is opened.

Source: path_resolution(7), open(2) (O_NOFOLLOW, ENXIO for FIFOs), symlink(7), memory for the rest.
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from harness import inside
from harness.errors import HarnessError, UnsafePath

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")


@pytest.fixture
def outside(tmp_path: Path) -> Path:
    folder = tmp_path / "outside"
    folder.mkdir()
    (folder / "secret").write_text("untouched")
    return folder


@pytest.fixture
def root(tmp_path: Path) -> Path:
    folder = tmp_path / "campaign"
    folder.mkdir()
    return folder


ACTS: dict[str, Callable[[Path, Path], object]] = {
    "read": lambda root, path: inside.read_bytes(root, path),
    "append": lambda root, path: os.close(inside.open_file(root, path, os.O_WRONLY | os.O_APPEND)),
    "make or append": lambda root, path: os.close(
        inside.open_file(root, path, os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    ),
}


@pytest.mark.parametrize("act", ACTS)
def test_a_link_in_the_place_of_a_file_is_refused(act: str, root: Path, outside: Path) -> None:
    (root / "log.jsonl").symlink_to(outside / "secret")
    with pytest.raises(UnsafePath, match=r"log\.jsonl"):
        ACTS[act](root, root / "log.jsonl")
    assert (outside / "secret").read_text() == "untouched"


def test_a_link_to_what_is_not_there_makes_nothing_there(root: Path, outside: Path) -> None:
    (root / "log.jsonl").symlink_to(outside / "new")
    with pytest.raises(UnsafePath):
        inside.open_file(root, root / "log.jsonl", os.O_WRONLY | os.O_CREAT)
    inside.write_whole(root, root / "log.jsonl", b"ours")
    assert not (outside / "new").exists()
    assert not (root / "log.jsonl").is_symlink()
    assert (root / "log.jsonl").read_bytes() == b"ours"


@pytest.mark.parametrize("depth", [1, 2, 3])
@pytest.mark.parametrize(
    "act",
    [
        lambda root, path: inside.read_bytes(root, path),
        lambda root, path: inside.write_whole(root, path, b"x"),
        lambda root, path: inside.remove(root, path),
        lambda root, path: inside.make_folder(root, path.with_name("more")),
        lambda root, path: inside.make_folders(root, path.parent / "more"),
        lambda root, path: inside.replace(root, path, path.with_name("other")),
        lambda root, path: inside.sync_folder(root, path.parent),
    ],
)
def test_a_link_in_the_place_of_any_folder_on_the_way_is_refused(
    act: Callable[[Path, Path], object], depth: int, root: Path, outside: Path
) -> None:
    way = root.joinpath(*"abc"[: depth - 1])
    way.mkdir(parents=True, exist_ok=True)
    (way / "link").symlink_to(outside)
    with pytest.raises(UnsafePath):
        act(root, way / "link" / "secret")
    assert [p.name for p in outside.iterdir()] == ["secret"]
    assert (outside / "secret").read_text() == "untouched"


def test_removing_removes_a_link_and_not_what_it_leads_to(root: Path, outside: Path) -> None:
    (root / "work").mkdir()
    (root / "work" / "deep").symlink_to(outside)
    inside.remove_tree(root, root / "work")
    assert not (root / "work").exists()
    (root / "work").symlink_to(outside)
    inside.remove_tree(root, root / "work")
    inside.remove(root, root / "work")
    assert not (root / "work").is_symlink()
    assert (outside / "secret").read_text() == "untouched"


def test_a_folder_that_is_swapped_for_a_link_all_the_time_never_leads_outside(
    root: Path, outside: Path
) -> None:
    """A race: another thread exchanges the folder for a link to elsewhere, as fast as it can."""
    (root / "real").mkdir()
    (root / "link").symlink_to(outside)
    over = threading.Event()

    def swap() -> None:
        while not over.is_set():
            for source in ("real", "link"):
                (root / source).rename(root / "attempts")
                (root / "attempts").rename(root / source)

    attacker = threading.Thread(target=swap)
    attacker.start()
    written = 0
    try:
        for number in range(3000):
            try:
                inside.write_whole(root, root / "attempts" / f"n{number}", b"x")
                written += 1
            except OSError:
                continue
    finally:
        over.set()
        attacker.join()
    assert [p.name for p in outside.iterdir()] == ["secret"]


def test_dots_lead_nowhere(root: Path, outside: Path) -> None:
    for path in (root / ".." / "outside" / "secret", outside / "secret"):
        with pytest.raises(UnsafePath, match="not below"):
            inside.read_bytes(root, path)


def test_fifos_devices_and_folders_are_refused_at_once(root: Path) -> None:
    os.mkfifo(root / "pipe")
    for flags in (os.O_RDONLY, os.O_WRONLY, os.O_RDWR):
        with pytest.raises(UnsafePath, match="regular"):
            inside.open_file(root, root / "pipe", flags)
    with pytest.raises(UnsafePath, match="regular"):
        inside.open_file(Path("/dev"), Path("/dev/zero"))
    (root / "folder").mkdir()
    with pytest.raises(IsADirectoryError):
        inside.open_file(root, root / "folder")


def test_a_file_with_a_second_name_is_not_written_in_place(root: Path, outside: Path) -> None:
    os.link(outside / "secret", root / "log.jsonl")
    with pytest.raises(UnsafePath, match="hard link"):
        inside.open_file(root, root / "log.jsonl", os.O_WRONLY | os.O_APPEND)
    inside.write_whole(root, root / "log.jsonl", b"ours")
    assert (outside / "secret").read_text() == "untouched"


def test_a_file_larger_than_its_kind_can_be_is_refused(root: Path) -> None:
    with (root / "rig.json").open("wb") as file:
        file.truncate(inside.WHOLE_BYTES + 1)
    with pytest.raises(UnsafePath, match="larger"):
        inside.read_bytes(root, root / "rig.json")
    assert len(inside.read_bytes(root, root / "rig.json", inside.WHOLE_BYTES + 1)) == inside.WHOLE_BYTES + 1


def test_the_users_own_links_above_the_folder_are_followed(root: Path, tmp_path: Path) -> None:
    (tmp_path / "short").symlink_to("campaign")
    (tmp_path / "absolute").symlink_to(root)
    (root / "a").write_text("here")
    for name in ("short", "absolute"):
        assert inside.read_text(tmp_path / name, tmp_path / name / "a") == "here"
    (tmp_path / "loop").symlink_to("loop")
    with pytest.raises(OSError):  # noqa: PT011
        inside.read_text(tmp_path / "loop", tmp_path / "loop" / "a")


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() != 0, reason="gives a link to another user")
def test_another_users_link_above_the_folder_is_refused(root: Path, tmp_path: Path) -> None:
    (tmp_path / "short").symlink_to("campaign")
    os.lchown(tmp_path / "short", 65534, 65534)
    with pytest.raises(UnsafePath, match="another user"):
        inside.read_text(tmp_path / "short", tmp_path / "short" / "a")


def test_what_is_refused_is_an_error_of_levelrig_and_of_the_system(root: Path) -> None:
    assert issubclass(UnsafePath, HarnessError)
    assert issubclass(UnsafePath, OSError)
    before = len(list(Path("/proc/self/fd").iterdir())) if sys.platform == "linux" else 0
    for _ in range(100):
        with pytest.raises(FileNotFoundError):
            inside.read_bytes(root, root / "none" / "none")
    if sys.platform == "linux":
        assert len(list(Path("/proc/self/fd").iterdir())) == before  # no handle is left open
