"""From a published number back to its artifacts."""

import json
import re
import shutil
from pathlib import Path

import pandas as pd
import pytest

from harness.errors import NotACampaign, ReportError
from harness.report import explain


def test_every_number_of_the_result_tables_has_a_name_that_can_be_explained(small_report: Path) -> None:
    html = (small_report / "report" / "index.html").read_text(encoding="utf-8")
    numbers = json.loads((small_report / "report" / "numbers.json").read_text(encoding="utf-8"))["numbers"]
    shown = [n for n in numbers if f'id="{n}"' in html]
    assert len([n for n in shown if n.startswith("overall/")]) == 3 * 8
    assert len([n for n in shown if n.startswith("cell/")]) > 12 * 5
    for number in shown[:3] + shown[-3:]:
        assert explain(small_report, number).startswith(number)


def test_the_chain_names_repeats_artifacts_hashes_and_plan(small_report: Path) -> None:
    text = explain(small_report, "change/paper-comet.default.quiet/average_fps")
    assert "cell  paper-comet.default.quiet: 3 accepted repeats" in text
    assert "cell  paper-comet.default.factory: 3 accepted repeats" in text
    manifest = json.loads((small_report / "manifest.json").read_text(encoding="utf-8"))["files"]
    used = [line.split()[1] for line in text.splitlines() if line.strip().startswith("sha256")]
    assert len(used) == 6 * 2 + 1
    assert set(used[:-1]) <= set(manifest.values())
    assert "plan.toml" in text
    assert "CHANGED" not in text


def test_the_value_is_the_mean_of_the_repeats_that_are_named(small_report: Path) -> None:
    text = explain(small_report, "cell/paper-comet.default.quiet/average_fps")
    values = [float(line.split()[3].rstrip(",")) for line in text.splitlines() if ": average_fps" in line]
    full = next(line for line in text.splitlines() if line.startswith("  in full "))
    assert float(full.split()[2]) == pytest.approx(sum(values) / len(values), rel=1e-5)


def test_a_number_is_explained_as_the_page_shows_it(small_report: Path) -> None:
    html = (small_report / "report" / "index.html").read_text(encoding="utf-8")
    for name in (
        "cell/paper-comet.default.quiet/average_fps",
        "change/paper-comet.default.quiet/average_fps",
    ):
        value = explain(small_report, name).splitlines()[2].removeprefix("  value ")
        cell = re.search(rf'(?:title|id)="{re.escape(name)}".*?</t[dh]>', html, re.DOTALL)
        assert value.split()[0] in cell.group()


def test_an_artifact_that_was_changed_after_the_report_is_told_of(tmp_path: Path, small_report: Path) -> None:
    folder = tmp_path / "night"
    shutil.copytree(small_report, folder)
    cell = folder / "attempts" / "paper-comet.default.quiet"
    victim = next(iter(sorted(cell.rglob("frames.parquet"))))
    frame = pd.read_parquet(victim)
    frame["frametime_ms"] *= 0.9
    frame.to_parquet(victim)
    next(iter(sorted(cell.rglob("telemetry.parquet")))).unlink()
    with (folder / "plan.toml").open("a", encoding="utf-8") as plan:
        plan.write("# a word more\n")
    text = explain(folder, "cell/paper-comet.default.quiet/average_fps")
    assert text.count("CHANGED, now") == 1
    assert text.count("MISSING") == 1
    assert "CHANGED since the report" in text


def test_an_unknown_number_is_refused_with_the_nearest_ones(tmp_path: Path, small_report: Path) -> None:
    with pytest.raises(ReportError, match=r"nearest: .*overall/quiet/average_fps"):
        explain(small_report, "overall/quiet/average_fp")
    with pytest.raises(NotACampaign, match="name the folder"):
        explain(tmp_path, "overall/quiet/average_fps")
