"""Files that a user names, and what a path can lead to instead. Encodings: Unicode 15, section 23.8 (BOM)."""

from __future__ import annotations

import codecs
import os
import sys
import time
from pathlib import Path

import pytest

from harness import userfiles
from harness.errors import UserFileError


@pytest.mark.parametrize(
    "written",
    [
        "größe = 1\r\n".encode(),
        codecs.BOM_UTF8 + "größe = 1\r\n".encode(),
        codecs.BOM_UTF16_LE + "größe = 1\r\n".encode("utf-16-le"),
        codecs.BOM_UTF16_BE + "größe = 1\r\n".encode("utf-16-be"),
        "größe = 1\r\n".encode("utf-16-le"),
        "größe = 1\r\n".encode("utf-16-be"),
        "größe = 1\r\n".encode("utf-32"),
        codecs.BOM_UTF32_BE + "größe = 1\r\n".encode("utf-32-be"),
    ],
)
def test_text_is_the_same_with_and_without_a_byte_order_mark(written: bytes, tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_bytes(written)
    assert userfiles.read_text(tmp_path / "plan.toml", "plan") == "größe = 1\r\n"


def test_text_in_another_encoding_names_the_line(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_bytes("a = 1\nname = 'größe'\n".encode("latin-1"))
    with pytest.raises(UserFileError, match="line 2 is not UTF-8") as caught:
        userfiles.read_text(tmp_path / "plan.toml", "plan")
    assert caught.value.exit_code == 2


def test_missing_files_folders_and_impossible_names_are_told(tmp_path: Path) -> None:
    for path, said in (
        (tmp_path / "none", "no such plan"),
        (tmp_path, "a folder"),
        (tmp_path / "a\0b", "can't be read"),
        (tmp_path / ("n" * 300), "can't be read"),
    ):
        with pytest.raises(UserFileError, match=said):
            userfiles.read_text(path, "plan")


def test_a_file_beyond_the_limit_is_refused_without_reading_it_whole(tmp_path: Path) -> None:
    with (tmp_path / "big").open("wb") as file:
        file.truncate(1 << 40)  # a terabyte, sparse
    with pytest.raises(UserFileError, match="larger than 4 MiB"):
        userfiles.read_text(tmp_path / "big", "plan")
    (tmp_path / "edge").write_bytes(b"x" * 10)
    assert len(userfiles.read_bytes(tmp_path / "edge", at_most_bytes=10)) == 10
    with pytest.raises(UserFileError):
        userfiles.read_bytes(tmp_path / "edge", at_most_bytes=9)


@pytest.mark.skipif(sys.platform == "win32", reason="no such files there")
def test_fifos_devices_and_links_to_them_are_refused_at_once(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "to-zero").symlink_to("/dev/zero")
    (tmp_path / "to-pipe").symlink_to("pipe")
    (tmp_path / "to-itself").symlink_to("to-itself")
    began_s = time.monotonic()
    for path in ("pipe", "to-zero", "to-pipe", "/dev/zero", "/dev/stdin", "to-itself"):
        with pytest.raises(UserFileError):
            userfiles.read_text(tmp_path / path, "plan")
    assert time.monotonic() - began_s < 30  # none of them was waited for
