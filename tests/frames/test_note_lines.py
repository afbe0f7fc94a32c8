"""What the reader notes reaches a person: one line for each kind of note."""

from __future__ import annotations

from harness.frames.notes import note_lines


def row(title, *marks):
    return {"title": title, "repeat_index": 1, "marks": list(marks)}


def test_each_kind_of_note_is_one_line_with_how_many_attempts_have_it():
    coarse = "frame-log-note: frame times come in steps of {} ms, {} % of their median"
    rows = [
        row("harbour-lights", coarse.format(1, 12), "outlier: far"),
        row("harbour-lights", coarse.format(1, 13)),
        row("harbour-lights"),
        row("salt-road", "frame-log-note: 3 unreadable rows were left out; first: data row 7"),
    ]
    assert note_lines(rows) == [
        "harbour-lights: frame log of 2 of 3 attempts: frame times come in steps of 1 ms, 12 % of their "
        "median (the first of them)",
        "salt-road: frame log of 1 of 1 attempt: 3 unreadable rows were left out; first: data row 7",
    ]
    assert note_lines([{"title": "x", "repeat_index": 1, "marks": None}]) == []
    assert (
        note_lines([{"title": "x", "repeat_index": 1}]) == []
    )  # as the journal has a lost program's attempt
