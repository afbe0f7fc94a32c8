"""The summary to paste: the first screen's words, in text, Markdown, HTML and as a picture."""

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from PIL import Image

from harness.cli import main
from harness.report.sections.words import CAUTIONS


@pytest.fixture(scope="module")
def folder(
    tmp_path_factory: pytest.TempPathFactory,
    campaign_maker: Callable[..., Path],
    made_campaign_type: Callable[..., Any],
) -> Path:
    made = made_campaign_type(
        tmp_path_factory.mktemp("pasted") / "night",
        titles={
            "pipe-and-star": ("Pipe | *Star* <b>_x_</b>", 118.0, 1.0),
            "plain-glass": ("Plain", 80.0, 1.0),
        },
        repeats=3,
        measure_s=2.0,
    )
    return campaign_maker(made)


def test_the_table_says_what_the_tables_of_results_say(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["summary", str(folder), "--json"]) == 0
    made = json.loads(capsys.readouterr().out)
    assert main(["report", str(folder)]) == 0
    capsys.readouterr()
    overall = pd.read_parquet(folder / "dataset" / "overall.parquet").set_index(["profile", "metric"])
    rows = [line for line in made["markdown"].splitlines() if line.startswith("| ")][2:]
    cells = [[cell.strip() for cell in re.split(r"(?<!\\)\|", row)[1:-1]] for row in rows]
    power = [row for row in cells if row[1] == "Mean power"]
    assert len(power) == overall.index.get_level_values("profile").nunique()
    for row, (_, wanted) in zip(power, overall.xs("mean_power_w", level="metric").iterrows(), strict=True):
        shown = float(row[3].split()[1].replace("−", "-"))
        assert shown == pytest.approx(100 * (wanted["estimate"] - 1), abs=0.05)
    page = (folder / "report" / "index.html").read_text(encoding="utf-8")
    assert 'data-copy="summary-text"' in page
    assert 'data-copy="summary-table"' in page


def test_each_form_carries_answer_and_caution_and_escapes_names(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    forms = {}
    for form in ("text", "markdown", "html"):
        assert main(["summary", str(folder), "--form", form]) == 0
        forms[form] = capsys.readouterr().out
        assert CAUTIONS[0].split(",")[0] in forms[form]
    assert "<b>" not in forms["html"]
    assert not re.search(r"(?<!\\)[*<]", forms["markdown"])


def test_with_into_the_files_and_the_picture_lie_there(folder: Path, tmp_path: Path) -> None:
    assert main(["summary", str(folder), "--into", str(tmp_path / "article")]) == 0
    names = {path.name for path in (tmp_path / "article").iterdir()}
    assert {"summary.txt", "summary.md", "summary.html", "summary-article.png", "summary.csv"} <= names
    stills = [name for name in names if name.endswith("-1920x1080.png")]
    for name in stills:
        with Image.open(tmp_path / "article" / name) as image:
            assert image.size == (1920, 1080)
    assert stills
