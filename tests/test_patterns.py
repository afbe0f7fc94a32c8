"""Patterns of a person: linear time, line by line, refused where they can't be kept."""

from __future__ import annotations

import re
import threading
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.lines import LineCutter, missing_in_file, whole_lines
from harness.patterns import LONGEST_LINE, Pattern


@pytest.mark.parametrize("text", [r"(a+)+$", r"(a|aa)+$", r"(.*a){12}$", r"^(\w+\s?)*$", r"(x+x+)+y"])
def test_patterns_that_run_away_elsewhere_take_linear_time_and_let_other_threads_go_on(text: str) -> None:
    # The classic shapes of catastrophic backtracking (common knowledge, no single source): an engine that
    # backtracks takes over a minute at 40 letters.
    pattern, over = Pattern(text), threading.Event()
    looks: list[float] = []

    def look() -> None:
        while not over.is_set():
            looks.append(time.perf_counter())
            time.sleep(0.01)

    watching = threading.Thread(target=look)
    watching.start()
    begun_s = time.thread_time()
    for letters in (40, LONGEST_LINE):
        pattern.search("a" * letters + "!")
    assert time.thread_time() - begun_s < 5.0
    over.set()
    watching.join()
    assert looks


@pytest.mark.parametrize(
    ("text", "remedy"),
    [
        ("(", "fix it"),
        ("(?=a)b", "look-around"),
        (r"(a)\1", "references back"),
        ("a{1,5000}", "count less"),
        (r"((a|b|c)?d?){900}e", "count less"),
        ("a++", "plainly"),
        ("\ud800", "half a character"),
    ],
)
def test_what_the_engine_can_t_keep_is_refused_with_the_remedy(text: str, remedy: str) -> None:
    with pytest.raises(ValueError, match=remedy):
        Pattern(text)


_PIECES = ["a", "b", "1", " ", ".", r"\d", r"\w+", "a*", "(b|1)?", "[^a]", r"\s", "^", "$", r"\A", r"\Z"]


@settings(max_examples=300, deadline=None)
@given(st.lists(st.sampled_from(_PIECES), min_size=1, max_size=4), st.lists(st.text("ab1 .", max_size=8)))
def test_a_block_gives_the_same_lines_as_python_gives_line_by_line(
    pieces: list[str], lines: list[str]
) -> None:
    # Reference: the standard library's re, one line at a time.
    text = "".join(pieces)
    block = "".join(f"{line}\n" for line in lines).encode()
    expected = [line for line in lines if re.search(text, line)]
    found = [match.line for match in Pattern(text).in_block(block)]
    assert found == (expected if lines else found)
    assert [bool(Pattern(text).search(line)) for line in lines] == [
        bool(re.search(text, line)) for line in lines
    ]


def test_a_match_tells_its_line_its_groups_and_their_names() -> None:
    match = Pattern(r"P=(?P<power>[\d.]+)( W)?").search("now P=12.5 W")
    assert match is not None
    assert (match.line, match.groups, match.named) == ("now P=12.5 W", ("12.5", " W"), {"power": "12.5"})


@given(st.binary(max_size=200), st.lists(st.integers(1, 50), max_size=10))
def test_a_stream_cut_anywhere_gives_the_lines_of_the_whole(data: bytes, cuts: list[int]) -> None:
    cutter, parts, at = LineCutter(), b"", 0
    for cut in cuts:
        parts += cutter.feed(data[at : at + cut])
        at += cut
    parts += cutter.feed(data[at:], ended=True)
    whole = whole_lines(data)
    assert parts == whole + (b"\n" if whole and not whole.endswith(b"\n") else b"")


def test_a_line_without_end_is_cut_and_the_next_one_is_whole() -> None:
    cutter = LineCutter()
    blocks = b"".join(cutter.feed(b"x" * 50_000) for _ in range(100))
    assert len(blocks) <= LONGEST_LINE + 50_000
    assert cutter.feed(b"x\nnext\n") == b"next\n"


def test_a_line_is_found_wherever_it_stands_in_a_large_file(tmp_path: Path) -> None:
    path = tmp_path / "output.log"
    with path.open("wb") as file:
        for _ in range(30):
            file.write(b"frame took 5.4 ms\n" * 20_000)
        file.write(b"resolution 2560x1440\n")
        file.write(b"\xff\x00" * 1_000_000)
    assert missing_in_file(path, ["^resolution 2560x1440$", "3840x2160"]) == ("3840x2160",)
    assert missing_in_file(tmp_path / "none", ["a"]) == ("a",)
