"""A metric from a file outside ``harness/``: one record, and it stands wherever a metric stands."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from pathlib import Path

import pyarrow.parquet as pq
import pytest

PLUGIN = """
from harness.hookspecs import hookimpl
from harness.metrics import ComparedMetric, Metric


def hitch_share_pct(repeat):
    ms = repeat.frametime_ms
    return 1.0 + 100.0 * (ms > 1.25 * sorted(ms)[len(ms) // 2]).mean() if len(ms) else None


@hookimpl
def levelrig_metrics():
    return [
        ComparedMetric(
            name="hitch_share_pct", unit="%", meaning="share of frames over 1.25 times the median",
            label="hitch share",
            of_repeat=hitch_share_pct,
            scale="ratio", better="lower", up="rougher", down="smoother",
            says_up="{p} runs rougher than {r}",
            says_down="{p} runs smoother than {r}",
            says_same="{p} runs as smooth as {r}",
            group="speed", live="{:.2f} % hitches",
            definition="frames over 1.25 times the median frame time / all frames, plus 1, in %.",
            shown=frozenset({"comparison-table", "comparison-chart", "levels-table", "closing-table"}),
        ),
        Metric(
            name="highest_power_w", unit="W", meaning="highest reading of the card's power",
            of_telemetry=lambda window: window.highest("power_average_w"),
        ),
        Metric(name="never_a_number", unit="", meaning="it fails", of_frames=lambda frames: 1 / 0),
    ]
"""
PLAN = """
[plan]
question = "Does the quiet setting run as smoothly?"
repeats = { at_least = 2, at_most = 3, decide_on = ["hitch_share_pct"] }
reference = "factory"
[conditions]
cooldown = { seconds = 1 }
warm_up = { seconds = 1 }
[[profiles]]
name = "factory"
control = "simulated"
[[profiles]]
name = "quiet"
control = "simulated"
power_limit_w = 200
[[titles]]
name = "quay"
workload = "simulated"
measure_s = 10
"""


def with_plugin(site: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Python with a further folder of installed distributions."""
    path = os.pathsep.join([str(site), *filter(None, [os.environ.get("PYTHONPATH")])])
    return subprocess.run(
        [sys.executable, *words],
        env={**os.environ, "PYTHONPATH": path, "COLUMNS": "300"},
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=600,
        check=False,
    )


@pytest.fixture(scope="module")
def site(tmp_path_factory) -> Path:
    """The plugin as an installer leaves it (core metadata and entry points)."""
    folder = tmp_path_factory.mktemp("site")
    (folder / "hitches.py").write_text(PLUGIN, encoding="utf-8")
    info = folder / "hitches-1.0.dist-info"
    info.mkdir()
    info.joinpath("METADATA").write_text("Metadata-Version: 2.1\nName: hitches\nVersion: 1.0\n")
    info.joinpath("entry_points.txt").write_text("[harness.plugins]\nhitches = hitches\n")
    return folder


@pytest.fixture(scope="module")
def told(site, tmp_path_factory) -> tuple[Path, str]:
    """A rehearsed night with the plugin, and what the terminal said."""
    folder = tmp_path_factory.mktemp("night")
    plan = folder / "plan.toml"
    plan.write_text(PLAN, encoding="utf-8")
    done = with_plugin(site, "-m", "harness.cli", "rehearse", str(plan), "--into", str(folder / "night"))
    assert done.returncode == 0, done.stdout + done.stderr
    again = with_plugin(site, "-m", "harness.cli", "report", str(folder / "night"))
    assert again.returncode == 0, again.stdout + again.stderr
    return folder / "night", again.stdout


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_its_column_stands_last_in_attempts_and_repeats_with_unit_and_meaning(told):
    night, _ = told
    for name in ("attempts", "repeats"):
        table = pq.read_table(night / "dataset" / f"{name}.parquet")
        assert table.column_names[-3:] == ["hitch_share_pct", "highest_power_w", "never_a_number"]
        assert table.schema.field("hitch_share_pct").metadata[b"unit"] == b"%"
        assert min(table["hitch_share_pct"].to_pylist()) >= 1.0
        assert min(table["highest_power_w"].to_pylist()) > 0


def test_a_formula_that_fails_leaves_its_own_value_empty_and_marks_the_attempt(told):
    night, _ = told
    table = pq.read_table(night / "dataset" / "repeats.parquet")
    assert set(table["never_a_number"].to_pylist()) == {None}
    assert all("metric-failed: never_a_number" in " ".join(marks) for marks in table["marks"].to_pylist())


def test_it_is_compared_decided_and_told_in_its_own_words(told):
    night, _ = told
    for name in ("cells", "comparisons", "overall"):
        mine = [r for r in rows_of(night / "dataset" / f"{name}.csv") if r["metric"] == "hitch_share_pct"]
        assert mine, name
        assert mine[0]["label"] == "hitch share"
    assert any(word in mine[0]["sentence"] for word in ("rougher", "smoother", "as smooth"))
    assert mine[0]["decision"] in ("rougher", "smoother", "same", "undecided")


def test_the_plan_may_decide_on_it_only_where_the_plugin_is_installed(told, site):
    plan = told[0].parent / "plan.toml"
    assert with_plugin(site, "-m", "harness.cli", "check", str(plan)).returncode == 0
    refused = with_plugin(plan.parent, "-m", "harness.cli", "check", str(plan))
    assert refused.returncode == 2
    assert "no metric is named" in refused.stdout + refused.stderr


def test_page_methods_chart_terminal_and_package_have_it(told):
    night, terminal = told
    page = (night / "report" / "index.html").read_text(encoding="utf-8")
    levels = page[page.index('id="table-levels"') :]
    assert "hitch share" in levels[: levels.index("</table>")]
    chart = page[page.index('id="data-comparison"') :]
    assert "hitch share" in chart[: chart.index("</table>")]
    definitions = page[page.index('id="definitions"') :]
    assert "Hitch share" in definitions
    methods = (night / "report" / "methods.txt").read_text(encoding="utf-8")
    assert "The hitch share is frames over 1.25 times the median frame time" in methods
    assert "hitch share" in terminal
    package = json.loads((night / "dataset" / "datapackage.json").read_text(encoding="utf-8"))
    fields = {f["name"]: f for r in package["resources"] for f in r["schema"]["fields"]}
    assert fields["hitch_share_pct"]["unit"] == "%"
    numbers = json.loads((night / "report" / "numbers.json").read_text(encoding="utf-8"))["numbers"]
    assert "overall/quiet/hitch_share_pct" in numbers


def test_explain_and_the_live_page_have_it(told, site):
    night, _ = told
    said = with_plugin(site, "-m", "harness.cli", "explain", str(night), "overall/quiet/hitch_share_pct")
    assert said.returncode == 0, said.stderr
    assert "repeat 1.1: hitch_share_pct" in said.stdout
    assert "not measured" not in said.stdout
    live = (
        "import sys; from pathlib import Path; from harness.plugins import PluginHost; PluginHost();"
        "from harness.watch.state import read_grid; print(read_grid(Path(sys.argv[1]))['rows'])"
    )
    grid = with_plugin(site, "-c", live, str(night))
    assert "% hitches" in grid.stdout, grid.stderr


def test_a_folder_with_its_figures_keeps_them_where_the_plugin_is_not_installed(told):
    night, _ = told
    empty = night.parent
    sound = with_plugin(empty, "-m", "harness.cli", "verify", str(night), "--json")
    assert json.loads(sound.stdout)["sound"], sound.stdout
    read = (
        "import sys; from contextlib import closing; from pathlib import Path;"
        "from harness.store.campaign import CampaignStore\n"
        "with closing(CampaignStore.read(Path(sys.argv[1]))) as store: table = store.repeats_table()\n"
        "print(table['hitch_share_pct'].null_count, table.column_names[-1])"
    )
    assert with_plugin(empty, "-c", read, str(night)).stdout.split() == ["0", "hitch_share_pct"]
    assert with_plugin(empty, "-m", "harness.cli", "status", str(night)).returncode == 0
    assert with_plugin(empty, "-m", "harness.cli", "report", str(night)).returncode == 0
