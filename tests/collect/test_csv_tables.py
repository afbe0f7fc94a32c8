"""Tables of earlier years as CSV give what they give as Parquet; a wrong cell stops with its place."""

from __future__ import annotations

import json

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from harness.cli import main
from harness.collect.repeats import collect_repeats
from harness.errors import UserFileError
from harness.frames.mapping import ColumnMapping

ROWS = [
    (title, profile, repeat, base * (1.06 if profile == "quiet" else 1.0) + 0.17 * repeat)
    for title, base in (("Harbour Lights", 90.5), ("salt-road", 61.25), ("iron", 120.0))
    for profile in ("factory", "quiet")
    for repeat in (1, 2, 3, 4)
]


def text(
    separator: str = ",", decimal: str = ".", heads: str = "title profile repeat_index average_fps"
) -> str:
    lines = [separator.join(heads.split(" "))]
    for title, profile, repeat, fps in ROWS:
        lines.append(separator.join((title, profile, str(repeat), f"{fps:.4f}".replace(".", decimal))))
    return "\n".join(lines) + "\n"


def parquet(folder):
    folder.mkdir()
    columns = list(zip(*ROWS, strict=True))
    fps = [float(f"{value:.4f}") for value in columns[3]]
    names = ["title", "profile", "repeat_index", "average_fps"]
    pq.write_table(pa.table([*map(list, columns[:3]), fps], names=names), folder / "years.parquet")
    return folder


def answered(path, capsys):
    assert main(["analyse", str(path), "--reference", "factory", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    return said["answer"], said["comparisons"], said["attempts"]


@pytest.mark.parametrize(
    "content",
    [
        text().encode(),
        text().replace("\n", "\r\n").encode("utf-8-sig"),
        text(";", ",").encode("utf-16"),
        text().encode("utf-16-le"),
        text("\t", ",").encode(),
        text(";", heads="Title Profile Repeat FPS").encode(),
        (text() + "\n,,,\n").encode(),
        ("sep=;\r\n" + text(";", ",")).encode("utf-16"),
        (text() + text().partition("\n")[2]).encode(),
    ],
    ids=[
        "plain",
        "byte order mark",
        "utf-16 and comma",
        "utf-16 without a mark",
        "tabs and comma",
        "a person's headings",
        "empty rows",
        "stated separator",
        "every row twice",
    ],
)
def test_a_csv_gives_what_the_same_table_gives_as_parquet(content, tmp_path, capsys):
    wanted = answered(parquet(tmp_path / "as-parquet"), capsys)
    folder = tmp_path / "as-csv"
    folder.mkdir()
    (folder / "years.csv").write_bytes(content)
    assert answered(folder, capsys) == wanted
    assert answered(folder / "years.csv", capsys)[1:] == wanted[1:]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (f"{ROWS[2][3]:.4f}", "fast", "line 4, column 'average_fps': 'fast' is no number"),
        (f"{ROWS[2][3]:.4f}", "1.234,5", "line 4: 5 columns, and the headings name 4"),
        (f"{ROWS[2][3]:.4f}", "inf", "line 4, column 'average_fps': 'inf' is no number"),
        ("quiet,2,", "quiet,2.5,", "column 'repeat_index': '2.5' is no whole number"),
        ("title,profile", "profile,profile", "two columns are named 'profile'"),
        ("Harbour Lights,factory,1", '"Harbour Lights,factory,1', "line"),
    ],
)
def test_a_wrong_cell_stops_with_line_and_column(old, new, said, tmp_path, capsys):
    path = tmp_path / "years.csv"
    assert old in text()
    content = text().replace(old, new, 1)
    if "profile,profile" in new:
        content = content.replace("average_fps", "title", 1).replace("repeat_index", "average_fps", 1)
    path.write_text(content)
    assert main(["analyse", str(tmp_path), "--reference", "factory"]) == 2
    assert said in " ".join(capsys.readouterr().err.split())


def test_missing_values_are_none_and_never_0(tmp_path):
    (tmp_path / "years.csv").write_text(
        "title;profile;average_fps;mean_power_w\nquay;a;61,5;n/a\nquay;b;62,5;240\n"
    )
    found = collect_repeats([tmp_path]).repeats
    assert found["mean_power_w"].to_pylist() == [None, 240.0]
    assert found["average_fps"].to_pylist() == [61.5, 62.5]


def test_a_copy_beside_its_parquet_file_and_a_campaigns_own_copies_count_once(tmp_path):
    folder = parquet(tmp_path / "years")
    (folder / "years.csv").write_text(text())
    assert collect_repeats([folder]).repeats.num_rows == len(ROWS)


def test_frame_logs_as_csv_are_read_by_a_mapping(tmp_path):
    for profile, ms in (("factory", 16.0), ("quiet", 12.5)):
        place = tmp_path / "title=quay" / f"profile={profile}"
        place.mkdir(parents=True)
        rows = "".join(f"{ms + 0.01 * (i % 5):.2f}\n" for i in range(500)).replace(".", ",")
        (place / "1.csv").write_text("dt\n" + rows)
    mapping = ColumnMapping(interval_column="dt", delimiter="semicolon", decimal=",")
    found = collect_repeats([tmp_path], mapping=mapping).repeats
    assert [round(value, 1) for value in found["average_fps"].to_pylist()] == [62.4, 79.9]


def test_a_file_that_grows_without_end_is_refused(tmp_path):
    path = tmp_path / "years.csv"
    with path.open("wb") as file:
        file.write(b"title,profile,average_fps\n")
        file.truncate(300 << 20)
    with pytest.raises(UserFileError, match="larger than"):
        collect_repeats([tmp_path])


def test_what_is_not_used_of_a_table_is_said(tmp_path):
    path = tmp_path / "years.csv"
    path.write_text(text(heads="title profile run average_fps"))
    (said,) = collect_repeats([path]).sources
    assert "columns not used, as no metric has their name: run" in said
    path.write_text(text() + "salt-road,quiet,4,65.9\n")
    assert collect_repeats([path]).sources == (f"{path}: 25 attempts",)  # another value is no copy


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (
            "# results\ntitle,profile,average_fps\n",
            "its columns are '# results'; a table of repeats lacks title",
        ),
        ("title,average_fps\na,1\n", "lacks profile"),
        ("title,profile,fp\na,b,1\n", "lacks a metric"),
    ],
)
def test_a_file_that_is_no_table_says_what_it_lacks(content, said, tmp_path, capsys):
    (tmp_path / "years.csv").write_text(content)
    assert main(["analyse", str(tmp_path / "years.csv")]) == 2
    assert said in capsys.readouterr().err


def test_a_table_of_headings_alone_is_refused(tmp_path, capsys):
    (tmp_path / "years.csv").write_text("title,profile,average_fps\n")
    assert main(["analyse", str(tmp_path / "years.csv")]) == 2
    assert "no row stands under its headings" in capsys.readouterr().err
