"""Forty plans with one mistake each: caught by ``check``, or by the first attempt where it only shows then.

The tables say which of both; nothing may be found by a morning after. Common practice, no source: the
mistakes are those that people make with a first plan.
"""

from __future__ import annotations

import json
import sys

import pytest

from harness.cli import main

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="the mistakes are written with POSIX paths")

WRITES = (
    "import time\n"
    "open('frames.csv','w').write('app,dt\\n'+''.join(f'quay,{16.0 + i % 7 / 5}\\n' for i in range(400)))\n"
    "print('loaded', flush=True); print('points: 12.5', flush=True); time.sleep(30)\n"
)
GOOD = """\
[plan]
question = "Is quiet as fast as factory?"
repeats = 2
reference = "factory"

[conditions]
cooldown = { seconds = 0 }
warm_up = { seconds = 1 }

[[profiles]]
name = "factory"

[[profiles]]
name = "quiet"
control = "processor"
priority = "low"

[[titles]]
name = "quay"
workload = "command"
command = ["{python}", "{plan_folder}/bench.py"]
ready_line = "loaded"
measure_s = 5
frame_log = { path = "frames.csv", interval_column = "dt", unit = "ms" }
"""
COMMAND = 'command = ["{python}", "{plan_folder}/bench.py"]'
LOG = 'frame_log = { path = "frames.csv", interval_column = "dt", unit = "ms" }'
STREAM = '\n[[sensors]]\nkind = "stream"\ncommand = {}\nquantities = {{ wall_power_w = {{ name = "P" }} }}\n'
SAYS_P = '["python3", "-c", "print(\'no port\'); raise SystemExit(1)"]'

#: What is wrong: (text of the good plan, text in its place, what check says). An empty first text: added.
BY_CHECK = {
    "missing program": (COMMAND, 'command = ["./harbour"]', "there is no program './harbour'"),
    "program not on the path": (COMMAND, 'command = ["no-such-title"]', "looked for on the search path"),
    "program is a folder": (COMMAND, 'command = ["./games"]', "is a folder, no program"),
    "program may not be run": (COMMAND, 'command = ["./bench.py"]', "is not executable"),
    "script without first line": (COMMAND, 'command = ["./start"]', "a text without a first line"),
    "relative script": (COMMAND, 'command = ["python3", "bench.py"]', "write '{plan_folder}/bench.py'"),
    "backslashes in a program": (COMMAND, "command = ['games\\quay']", "separated by / here"),
    "backslashes in a log": (LOG, LOG.replace('"frames.csv"', r"'log\*.csv'"), "separated by / here"),
    "wrong working folder": (COMMAND, f'{COMMAND}\nworking_folder = "gone"', "there is no folder"),
    "working folder is a file": (COMMAND, f'{COMMAND}\nworking_folder = "bench.py"', "is no folder"),
    "neither frames nor score": (LOG, "", "has neither a frame_log nor a score_line"),
    "runaway pattern": ('"loaded"', r'"(a+)+\\1"', "references back to a group are not offered"),
    "costly pattern": ('"loaded"', '"(x{1,900}){1,900}"', "count less"),
    "look-around": ('"loaded"', '"(?<=is )loaded"', "look-around is not offered"),
    "unclosed pattern": ('"loaded"', '"(loaded"', "no regular expression"),
    "pattern with ^ inside": ('"loaded"', '"is^loaded"', "^ stands after the pattern's beginning"),
    "pattern with $ inside": ('"loaded"', '"loaded$ now"', "$ stands before the pattern's end"),
    "empty class": ('"loaded"', r"'[^\s\S]'", "it holds an empty [...]"),
    "pattern over two lines": ('"loaded"', r"'loaded\nnow'", "a line's end inside it"),
    "score without a group": (LOG, 'score_line = "points"', "needs exactly one group"),
    "score that is no number": (LOG, 'score_line = "points: ([a-z]+)"', "can't hold a number"),
    "fails when ready": ('"loaded"', '"loaded"\nfail_line = "load"', "counts as a failure too"),
    "fails at every line": ('"loaded"', '"loaded"\nfail_line = ".*"', "matches every line"),
    "ends when ready": ('"loaded"', '"loaded"\nend_line = "loaded"', "ends the title at once"),
    "ends before the window": (COMMAND, f"{COMMAND}\nend_after_s = 4", "before warm-up 1 s and its window"),
    "warm-up longer than the title": (
        COMMAND,
        f"{COMMAND}\nend_after_s = 4\nwarm_up = {{ seconds = 20 }}",
        "before its window begins",
    ),
    "deadline below the window": ("measure_s = 5", "measure_s = 5\ndeadline_s = 5", "deadline_s = 5 ends"),
    "passes of a title without": (COMMAND, f"{COMMAND}\nwarm_up = {{ passes = 2 }}", "the title counts none"),
    "seconds as text": ("measure_s = 5", 'measure_s = "5 s"', "is not a number"),
    "minutes": ("measure_s = 5", "measure_min = 5", "unknown key 'measure_min'"),
    "wrong unit": ('unit = "ms"', 'unit = "msec"', "is not a choice here"),
    "duplicate titles": ("", GOOD[GOOD.index("[[titles]]") :], "a second title named 'quay'"),
    "no such reference": ('reference = "factory"', 'reference = "stock"', "no profile is named 'stock'"),
    "cooler than the room": (
        "cooldown = { seconds = 0 }",
        'cooldown = { until_at_most_c = 5, then = "skip" }',
        "below the air of a usual room",
    ),
    "limit that nobody reads": ("", "[limits]\nhotspot_temp_c = 90\n", "so the limit can't be watched"),
    "question that nobody reads": (
        "repeats = 2",
        'repeats = 2\nprimary_metrics = ["mean_sound_level_dba"]',
        "sound_level_dba",
    ),
    "instrument that ends": ("", STREAM.format(SAYS_P), "wall_power_w: no reading within"),
    "score that no title gives": (
        "repeats = 2",
        'repeats = 2\nprimary_metrics = ["score"]',
        "no title of the plan gives a score",
    ),
    "script missing": (COMMAND, COMMAND.replace("bench", "bnech"), "there is no file"),
    "words in one text": (COMMAND, 'command = ["python3 bench.py"]', '["python3", "bench.py"]'),
    "command as one text": (COMMAND, 'command = "python3 bench.py"', '["python3", "bench.py"]'),
    "variable in a program": (COMMAND, 'command = ["$HOME/quay"]', "$HOME is not filled in"),
    "variable in a log": (LOG, LOG.replace("frames.csv", "%APPDATA%/f.csv"), "%APPDATA% in"),
    "placeholder in a log": (LOG, LOG.replace("frames.csv", "{workfolder}/f.csv"), "{workfolder}"),
    "log is a folder": (LOG, LOG.replace("frames.csv", "{plan_folder}/games"), "is a folder, no file"),
    "log ends with a slash": (LOG, LOG.replace("frames.csv", "logs/"), "'logs/*.csv'"),
    "backslashes in a watched file": (
        COMMAND,
        COMMAND + "\nwatch_file = 'log\\x.txt'",
        "separated by / here",
    ),
    "processor that is not there": ('priority = "low"', "affinity = [9999]", "[9999] are not there"),
    "ready after the deadline": (
        'ready_line = "loaded"',
        "ready_after_s = 60\ndeadline_s = 60",
        "before it counts as ready",
    ),
    "companion that is never ready": (
        "",
        '[[titles.companions]]\nname = "l"\ncommand = ["python3"]\nready_after_s = 60\n',
        "raise ready_within_s",
    ),
    "messenger missing": ("", '[notify]\ncommand = ["./tell"]\n', "there is no program './tell'"),
    "time of day": ("", '[night]\nstarts_at = "11 pm"\n', "is no time of day"),
    "exit code as text": (COMMAND, f'{COMMAND}\nok_exit_codes = "1"', "as in [1]"),
    "instrument that is missing": ("", STREAM.format('["./meter"]'), "there is no program './meter'"),
}
#: Slips in writing: the parser stops there, and what to write instead is said.
BY_SYNTAX = {
    "quotes of a word processor": ('"quiet"', "\u201cquiet\u201d", "straight quotes"),
    "decimal comma": ("repeats = 2", "repeats = 2\nmargin_pct = 2,5", "write a point"),
    "True": ("repeats = 2", "repeats = 2\nmay_extend_once = True", "small letters"),
    "remark with //": ("repeats = 2", "repeats = 2 // twice", "begins with #"),
    "colon": ("repeats = 2", "repeats: 2", "write = between"),
    "unit": ("measure_s = 5", "measure_s = 5 s", "leave the unit out"),
    "no quotes": ('reference = "factory"', "reference = factory", "text in quotes"),
    "no comma": ('["{python}", ', '["{python}" ', "write a comma"),
    "open text": ('name = "quiet"', 'name = "quiet', "close it"),
    "table twice": ("[[titles]]", "[conditions]\n[[titles]]", "[conditions] stands in line 6 already"),
    "key twice": ("repeats = 2", "repeats = 2\nrepeats = 3", ""),
    "one bracket": ("[[titles]]", "[titles]", "is not a list"),
    "one bracket of two": ("[[profiles]]", "[profiles]", "[[profiles]]"),
    "list named as one": ("[[titles]]", "[[title]]", "did you mean 'titles'?"),
}
#: The same where the plan may still be right: check warns.
BY_WARNING = {
    "threads that no title sees": ('priority = "low"', "thread_count = 1", "never sees the thread_count"),
    "profile that sets nothing": ('control = "processor"\npriority = "low"\n', "", "the same as factory"),
    "value that nothing uses": (
        LOG,
        f'{LOG}\nsettings = [{{ name = "a", values = {{ height = 1 }} }}]',
        "uses the value {height}",
    ),
    "settings alike": (LOG, f'{LOG}\nsettings = [{{ name = "a" }}, {{ name = "b" }}]', "in its name only"),
    "shell signs": (COMMAND, COMMAND.replace("]", ', ">", "out.txt"]'), "no shell reads"),
    "folder of a watched file": (COMMAND, f'{COMMAND}\nwatch_file = "/no/such/x.txt"', "there is no folder"),
    "stale log": (COMMAND, f'{COMMAND}\nworking_folder = "games"', "a file matches already"),
    "folder of the log": (LOG, LOG.replace("frames.csv", "/no/such/place/*.csv"), "there is no folder"),
    "sensor not there": (
        "cooldown = { seconds = 0 }",
        "cooldown = { until_above_ambient_k = 10 }",
        "no sensor of this rig reads ambient_temp_c",
    ),
}


@pytest.fixture
def check(tmp_path, capsys, monkeypatch):
    (tmp_path / "bench.py").write_text(WRITES)
    (tmp_path / "games").mkdir()
    (tmp_path / "games" / "frames.csv").write_text("dt\n16\n")
    (tmp_path / "start").write_text("echo hello\n")
    (tmp_path / "start").chmod(0o755)
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)  # paths of a plan are relative to its own folder

    def call(old: str = "", new: str = ""):
        assert old in GOOD
        (tmp_path / "plan.toml").write_text(GOOD.replace(old, new, 1) if old else GOOD + new)
        code = main(["check", str(tmp_path / "plan.toml"), "--json"])
        said = json.loads(capsys.readouterr().out)
        assert not list(elsewhere.iterdir())
        return code, said

    return call


def test_the_plan_without_a_mistake_is_fine(check):
    code, said = check()
    assert (code, said["fine"], said["problems"]) == (0, True, [])
    assert not [need for need in said["needs"] if need["where"] != "this machine"]


@pytest.mark.parametrize("mistake", BY_CHECK)
def test_check_catches_the_mistake_with_its_place_and_what_to_do(mistake, check):
    old, new, expected = BY_CHECK[mistake]
    code, said = check(old, new)
    assert code == 2
    found = [problem for problem in said["problems"] if expected in f"{problem['what']}; {problem['remedy']}"]
    assert found, said["problems"]
    assert "(line " in found[0]["where"]
    assert found[0]["remedy"]


@pytest.mark.parametrize("slip", BY_SYNTAX)
def test_check_says_what_to_write_instead_of_a_slip(slip, check):
    old, new, expected = BY_SYNTAX[slip]
    code, said = check(old, new)
    assert code == 2
    assert expected in "; ".join(f"{problem['what']}; {problem['remedy']}" for problem in said["problems"])


@pytest.mark.parametrize("mistake", BY_WARNING)
def test_check_warns_of_what_may_still_be_right(mistake, check):
    old, new, expected = BY_WARNING[mistake]
    _, said = check(old, new)
    found = [n for n in said["needs"] if n["level"] == "warning" and expected in n["what"]]
    assert found, said
    assert found[0]["line"]
    assert found[0]["next"]


#: What only a title's own doing shows: (keys of the title, reason code, attempts that it may take).
BY_FIRST_ATTEMPT = {
    "wrong-column": ('path = "frames.csv", interval_column = "frametime"', "frame-log-permanent", 1),
    "wrong-filter": (
        'path = "frames.csv", interval_column = "dt", filter_column = "app", filter_value = "harbour"',
        "frame-log-permanent",
        1,
    ),
    "wrong-delimiter": (
        'path = "frames.csv", interval_column = "dt", delimiter = ";"',
        "frame-log-permanent",
        1,
    ),
    "wrong-score": ("", "score", 2),
}


def test_the_first_attempt_catches_the_rest_and_the_other_titles_are_measured(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bench.py").write_text(WRITES)
    text = GOOD.replace("repeats = 2", "repeats = 1").replace("{ seconds = 1 }", "{ seconds = 0 }")
    text = text.replace("measure_s = 5", "measure_s = 1")
    head, quay = text[: text.index("[[titles]]")], text[text.index("[[titles]]") :]
    lenient = ["frame-log-short", "frame-log-too-long", "frame-log-repeated", "foreign-cpu-load"]
    head += f"[checks]\nmark_only = {json.dumps([*lenient, 'telemetry-gap', 'readings-missing'])}\n"
    for name, (keys, _, _) in BY_FIRST_ATTEMPT.items():
        log = f"frame_log = {{ {keys} }}" if keys else 'score_line = "result: ([0-9.]+)"'
        head += quay.replace('"quay"', f'"{name}"').replace(LOG, log)
    (tmp_path / "plan.toml").write_text(head + quay)
    assert main(["check", "plan.toml", "--json"]) == 0, capsys.readouterr().out
    capsys.readouterr()
    assert main(["run", "plan.toml", "--into", "c", "--json"]) == 4
    capsys.readouterr()
    assert main(["status", "c", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    made: dict[str, int] = {}
    for cell in found["cells"]:
        title = cell["cell_id"].partition(".")[0]
        made[title] = made.get(title, 0) + cell["attempts"]
    assert made.pop("quay") == 2
    assert made == {name: attempts for name, (_, _, attempts) in BY_FIRST_ATTEMPT.items()}
    aside = {cell["cell_id"]: cell["reason_code"] for cell in found["cells_set_aside"]}
    for name, (_, code, _) in BY_FIRST_ATTEMPT.items():
        assert {aside[f"{name}.default.{profile}"] for profile in ("factory", "quiet")} == {code}


def test_forty_mistakes_are_in_the_tables():
    assert len({*BY_CHECK, *BY_WARNING, *BY_FIRST_ATTEMPT}) >= 40


def test_a_profile_of_rehearsals_is_a_warning(check):
    code, said = check(
        'control = "processor"\npriority = "low"', 'control = "simulated"\npower_limit_w = 200'
    )
    assert code == 0
    assert "runs in a rehearsal only" in "".join(need["what"] for need in said["needs"])
