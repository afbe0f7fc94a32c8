from __future__ import annotations

from pathlib import Path

import pytest

from harness.lines import LineCutter, LineFollower, LineTimes, some_text


def append(path: Path, data: bytes) -> None:
    with path.open("ab") as file:
        file.write(data)


def test_only_whole_lines_are_given_and_each_once(tmp_path: Path) -> None:
    path = tmp_path / "log"
    follower = LineFollower(path)
    assert follower.new_lines() == []
    append(path, b"one\ntw")
    assert follower.new_lines() == ["one"]
    append(path, b"o\r\nthree\rfour")
    assert follower.new_lines() == ["two", "three"]
    assert follower.new_lines() == []
    assert follower.new_lines(ended=True) == ["four"]


def test_a_file_that_was_cut_is_read_from_its_start_again(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_bytes(b"a long first line\n")
    follower = LineFollower(path)
    follower.new_lines()
    path.write_bytes(b"new\n")
    assert follower.new_lines() == ["new"]


def test_bytes_that_are_no_text_do_not_stop_the_reading(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_bytes(b"caf\xe9\nnext\n")
    assert LineFollower(path).new_lines() == ["caf�", "next"]


def test_a_line_cut_inside_a_character_is_whole_in_the_end(tmp_path: Path) -> None:
    path = tmp_path / "log"
    follower = LineFollower(path)
    append(path, "größe".encode()[:3])
    assert follower.new_lines() == []
    append(path, "größe".encode()[3:] + b"\n")
    assert follower.new_lines() == ["größe"]


def test_the_tail_is_the_last_lines_that_say_something(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_text("\n".join(f"line {n}" for n in range(1000)) + "\n\n\n")
    assert LineFollower(path).tail(2) == ["line 998", "line 999"]
    assert LineFollower(tmp_path / "none").tail() == []


def test_a_line_counts_from_its_first_byte() -> None:
    times = LineTimes(0.0)
    times.looked(1.0, lines=False, unfinished=False)  # nothing there
    assert times.since_s == 1.0
    times.looked(2.0, lines=True, unfinished=True)  # lines, and the beginning of one, all written since 1.0
    assert times.since_s == 1.0
    times.looked(3.0, lines=False, unfinished=True)  # more of it, not yet its end
    assert times.since_s == 1.0
    times.looked(4.0, lines=True, unfinished=True)  # its end, and the next one's beginning
    assert times.since_s == 3.0
    times.looked(5.0, lines=True, unfinished=False, emptied=False)  # more is there than one look takes
    assert times.since_s == 3.0
    times.looked(6.0, lines=True, unfinished=False)
    assert times.since_s == 6.0


WIDE = "Ready. Größe − 7\r\nscore: 41.5\r\nλ 日本\r\n"


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("step", [1, 2, 3, 7, 1000])
def test_lines_in_utf_16_are_cut_and_searched_like_all_others(encoding: str, step: int) -> None:
    """Unicode 15, section 3.10 (UTF-16, its mark and byte orders)."""
    raw = WIDE.encode(encoding)
    cutter = LineCutter()
    blocks = [cutter.feed(raw[at : at + step]) for at in range(0, len(raw), step)]
    blocks.append(cutter.feed(b"", ended=True))
    text = b"".join(blocks).decode("utf-8")
    assert [line for line in text.split("\n") if line] == WIDE.split("\r\n")[:-1]
    assert some_text(raw).splitlines()[1] == "score: 41.5"


def test_a_log_in_utf_16_is_followed_from_where_it_stands(tmp_path: Path) -> None:
    log = tmp_path / "log.txt"
    log.write_bytes("earlier: λ\r\n".encode("utf-16"))
    follower = LineFollower(log)
    follower.skip()
    with log.open("ab") as file:
        file.write("score: 日本 7\r\n".encode("utf-16-le"))
    assert follower.new_lines() == ["score: 日本 7"]
    assert LineFollower(log).new_lines() == ["earlier: λ", "score: 日本 7"]


def test_a_stream_of_one_byte_is_not_lost() -> None:
    cutter = LineCutter()
    assert cutter.feed(b"x") == b""
    assert cutter.unfinished
    assert cutter.feed(b"", ended=True) == b"x\n"
