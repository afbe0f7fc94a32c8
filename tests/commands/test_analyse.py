"""``levelrig analyse`` and ``levelrig map`` from the command line."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from harness.cli import main


@pytest.fixture
def years(tmp_path):
    """Two nights of frames: two titles, two profiles, three repeats; ``quiet`` is 20 % slower."""
    random = np.random.default_rng(3)
    for night in ("2031", "2032"):
        for title, base_ms in (("harbour-lights", 8.0), ("glass-canyon", 12.0)):
            for profile, factor in (("factory", 1.0), ("quiet", 1.2)):
                for repeat in (1, 2, 3):
                    path = (
                        tmp_path
                        / night
                        / f"title={title}"
                        / f"profile={profile}"
                        / f"repeat={repeat}.parquet"
                    )
                    path.parent.mkdir(parents=True, exist_ok=True)
                    scale = base_ms * factor * (1 + random.normal(0, 0.003))
                    pq.write_table(pa.table({"frametime_ms": scale * random.lognormal(0, 0.08, 500)}), path)
    return tmp_path


def test_years_of_nights_are_compared_at_once(years, capsys):
    code = main(["analyse", str(years / "2031"), str(years / "2032"), "--reference", "factory", "--json"])
    found = json.loads(capsys.readouterr().out)
    assert code == 0
    assert found["attempts"] == 24
    fps = [row for row in found["comparisons"] if row["metric"] == "average_fps"]
    assert {row["title"] for row in fps} == {"harbour-lights", "glass-canyon"}
    for row in fps:
        assert row["estimate"] == pytest.approx(1 / 1.2, rel=0.01)
        assert row["decision"] == "slower"


def test_the_tables_are_written_where_asked(years, tmp_path, capsys):
    into = tmp_path / "out"
    assert main(["analyse", str(years / "2031"), "--reference", "factory", "--into", str(into)]) == 0
    assert "slower" in capsys.readouterr().out
    assert len(pd.read_parquet(into / "attempts.parquet")) == 12
    assert set(pd.read_csv(into / "comparisons.csv")["profile"]) == {"quiet"}


def test_without_a_plan_the_reference_must_be_named(years, capsys):
    assert main(["analyse", str(years)]) == 2
    assert "give one of: factory, quiet" in capsys.readouterr().err


def test_a_mapping_file_that_is_none_is_an_error(years, tmp_path, capsys):
    (tmp_path / "mapping.toml").write_text('unit = "s"')
    code = main(
        ["analyse", str(years), "--reference", "factory", "--mapping", str(tmp_path / "mapping.toml")]
    )
    assert code == 2
    assert "map one of interval_column" in capsys.readouterr().err


def test_map_prints_what_a_mapping_file_may_hold(years, tmp_path, capsys):
    path = years / "2031" / "title=glass-canyon" / "profile=quiet" / "repeat=1.parquet"
    assert main(["map", str(path), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["mapping"] == {"interval_column": "frametime_ms", "unit": "ms"}


def foreign_night(folder):
    """Repeats of a title at 120 FPS; four of one profile went wrong in a way that only checks can see."""
    draw = np.random.default_rng(8)
    wrongs = {
        "pause": lambda x, t: (np.append(x, 30_000.0), np.append(t, t[-1] + 30.0)),
        "clock": lambda x, t: (np.diff(np.floor(t * 100) * 10, prepend=0.0), np.floor(t * 100) / 100),
        "hole": lambda x, t: (x, t + np.where(np.arange(t.size) > 3000, 8.0, 0.0)),
        "nan": lambda x, t: (np.where(np.arange(x.size) % 7 == 3, np.nan, x), np.full(t.size, np.nan)),
    }
    for profile in ("factory", "quiet"):
        for place, name in enumerate(
            ("whole", "whole", *wrongs) if profile == "quiet" else ("whole",) * 3, 1
        ):
            frametime_ms = draw.gamma(400, 1000 / 120 / 400, 6000)
            t_s = np.cumsum(frametime_ms) / 1e3
            if name in wrongs:
                frametime_ms, t_s = wrongs[name](frametime_ms, t_s)
            path = folder / "title=harbour" / f"profile={profile}" / f"{name}-repeat={place}.parquet"
            path.parent.mkdir(parents=True, exist_ok=True)
            pq.write_table(pa.table({"t_s": t_s, "frametime_ms": frametime_ms}), path)


def test_foreign_files_are_put_before_the_checks_of_a_night_and_their_marks_are_shown(tmp_path, capsys):
    foreign_night(tmp_path)
    command = ["analyse", str(tmp_path), "--layout", "title={title}/profile={profile}/{repeat}"]
    assert main([*command, "--reference", "factory", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    rejected = [one for one in found["unusual"] if one["verdict"] == "rejected"]
    told = " ".join(one["reason"] for one in rejected) + " ".join(found["left_out"].values())
    assert len(rejected) + len(found["left_out"]) == 4
    assert "no frame for 30.0 s" in told
    assert "rows were unusable" in told
    assert "contradict each other" in told
    (claim,) = [c for c in found["comparisons"] if c["metric"] == "average_fps" and c["title"] == "harbour"]
    assert claim["estimate"] == pytest.approx(1.0, abs=0.01)
    assert main([*command, "--reference", "factory"]) == 0
    shown = capsys.readouterr().out
    assert shown.count("rejected: ") == len(rejected)
    assert "no frame for 30.0 s" in shown


def table_of_repeats(repeats=3, **changes) -> pd.DataFrame:
    random = np.random.default_rng(8)
    rows = [
        {
            "title": title,
            "profile": profile,
            "block": block,
            "average_fps": 100 * random.normal(1, 0.004),
            "mean_power_w": 200 * random.normal(1, 0.004),
        }
        for title in ("harbour", "canyon")
        for block in range(1, repeats + 1)
        for profile in ("factory", "quiet")
    ]
    return pd.DataFrame(rows).assign(**changes)


def printed(folder, table, capsys) -> str:
    folder.mkdir()
    table.to_parquet(folder / "repeats.parquet")
    assert main(["analyse", str(folder), "--reference", "factory"]) == 0
    return " ".join(capsys.readouterr().out.split())


def test_a_column_that_states_a_scores_direction_is_heard(tmp_path, capsys):
    table = table_of_repeats(score_better="lower")
    table["score"] = table.pop("average_fps") * np.where(table["profile"] == "quiet", 1.1, 1.0)
    said = printed(tmp_path / "night", table, capsys)
    assert "quiet is slower than factory" in said
    assert "Of these scores less is better: canyon and harbour." in said


@pytest.mark.parametrize(
    ("words", "complaint"),
    [(["down"] * 12, "says 'down' of harbour"), (["lower", "higher"] * 6, "both higher and lower")],
)
def test_a_direction_that_is_none_or_both_is_refused(tmp_path, capsys, words, complaint):
    table = table_of_repeats()
    table["score"], table["score_better"] = table["average_fps"], words
    table.to_parquet(tmp_path / "repeats.parquet")
    assert main(["analyse", str(tmp_path), "--reference", "factory"]) == 2
    assert complaint in capsys.readouterr().err


def test_an_attempt_without_a_sentence_tells_its_code_and_one_without_either_says_so(tmp_path, capsys):
    table = table_of_repeats(verdict="accepted", reason_code=None)
    table.loc[0, ["verdict", "reason_code"]] = "rejected", "start-temperature"
    table.loc[3, "verdict"] = "failed"
    said = printed(tmp_path / "night", table, capsys)
    assert "rejected: start-temperature" in said
    assert "failed: no reason kept" in said
    assert "None" not in said


def test_where_no_speed_was_measured_that_is_what_the_answer_says(tmp_path, capsys):
    said = printed(tmp_path / "night", table_of_repeats().drop(columns="average_fps"), capsys)
    assert "no title has an average FPS or a score under both" in said
    assert "accepted repeats of both" not in said


def test_one_repeat_of_a_title_is_no_slow_run_and_none_that_was_not_slow(tmp_path, capsys):
    said = printed(tmp_path / "night", table_of_repeats(repeats=2), capsys)
    assert "slower than the median" not in said


def test_equal_readings_are_told_to_have_the_interval_of_their_step(tmp_path, capsys):
    said = printed(tmp_path / "night", table_of_repeats(mean_power_w=200.0), capsys)
    assert "the interval is made of its step" in said
    assert "too narrow" not in said
