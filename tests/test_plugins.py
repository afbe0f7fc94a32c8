"""Plugins are kept apart: a broken one is named and left out, a failing hook costs its own share."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import ClassVar

import pytest

from harness.doctor import examine
from harness.errors import ControlRefused, PlanError
from harness.hookspecs import Kind, RehearsalRequest, hookimpl
from harness.plan.load import load_plan
from harness.plan.schema import Plan
from harness.plugins import PluginHost, PluginRig, machine_facts
from harness.testing import FakeClock, ScriptedRig, ScriptedSensor

HEAD = "from harness.hookspecs import Kind, hookimpl\n"
BRINGS = HEAD + "@hookimpl\ndef kinds():\n    return {}\n"

METRICS = (
    HEAD + "from harness.metrics import Metric\n"
    "PARTS = {{'name': 'average_fps', 'unit': '', 'meaning': 'x'}}\n"
    "@hookimpl\ndef levelrig_metrics():\n    return {}\n"
)

COMPARED = (
    HEAD + "from harness.metrics import ComparedMetric\n"
    "PARTS = dict(name='hitches', unit='', meaning='x', label='x', scale='ratio', better='lower', up='', "
    "down='', says_up='', says_down='', says_same='')\n"
    "@hookimpl\ndef levelrig_metrics():\n    return [ComparedMetric(**PARTS | {{{}}})]\n"
)

#: What is wrong with a plugin -> (its module's text, what is said of it).
BROKEN = {
    "missing import": ("import there_is_no_such_module\n", "there_is_no_such_module"),
    "syntax error": ("def broken(:\n", "SyntaxError"),
    "exit at import": ("import sys\nsys.exit(3)\n", "SystemExit: 3"),
    "generator exit at import": ("raise GeneratorExit\n", "GeneratorExit"),
    "wrong arguments of a hook": (
        HEAD + "@hookimpl\ndef examine(clock, colour):\n    return []\n",
        "colour",
    ),
    "unknown hook": (HEAD + "@hookimpl\ndef paint_the_card():\n    return 1\n", "paint_the_card"),
    "kinds raise": (HEAD + "@hookimpl\ndef kinds():\n    raise KeyError('x')\n", "KeyError: 'x'"),
    "kinds give numbers": (BRINGS.format("[1, 2]"), "int where Kind belongs"),
    "kinds give one number": (BRINGS.format("7"), "not iterable"),
    "a kind with parts of the wrong type": (BRINGS.format("[Kind('sensor', 3, 'x')]"), "parts are not"),
    "a role that is none": (BRINGS.format("[Kind('painter', 'x', 'x')]"), "parts are not"),
    "a kind that is there already": (BRINGS.format("[Kind('reader', 'columns', 'x')]"), "'columns' already"),
    "metrics that are none": (METRICS.format("['average_fps']"), "str where Metric belongs"),
    "a metric that is there already": (METRICS.format("[Metric(**PARTS)]"), "'average_fps' already"),
    "a metric under the name of a column": (
        METRICS.format("[Metric(**PARTS | {'name': 'verdict'})]"),
        "a column 'verdict' already",
    ),
    "a metric that contradicts itself": (
        METRICS.format("[Metric(**PARTS, of_frames=len, of_repeat=len)]"),
        "more than one formula",
    ),
    "a metric under the name of a column of its own stage": (
        METRICS.format("[Metric(**PARTS | {'name': 'odd_wait_s'})]")
        + "from typing import ClassVar\nfrom harness.stages import Rule, Stage\n"
        "class Odd(Rule):\n    BEARS: ClassVar[str] = ''\n"
        "class OddStage(Stage):\n    key, rule, place = 'odd_wait', Odd, 'in-title'\n"
        "    def gate(self, rule, wait):\n        return None\n"
        "    def says(self, rule, temperature):\n        return ''\n"
        "@hookimpl\ndef levelrig_stages():\n    return [OddStage()]\n",
        "a column 'odd_wait_s' already",
    ),
    "a metric in a group that is none": (COMPARED.format("'group': 'smoothness'"), "group = 'smoothness'"),
    "a metric shown nowhere": (COMPARED.format("'shown': frozenset({'attic'})"), "shown = "),
    "a metric with a unit that is no text": (COMPARED.format("'unit': None"), "unit = None"),
    "a metric with a heading over two lines": (COMPARED.format("'headed': 'a\\nb'"), "can't be printed"),
    "a metric with a rank that is no number": (COMPARED.format("'rank': float('nan')"), "rank = nan"),
    "an attribute missing": ("import harness\nharness.no_such_thing\n", "no_such_thing"),
}


def install(folder: Path, module: str, text: str) -> None:
    """A distribution with one plugin as an installer leaves it (core metadata and entry points)."""
    folder.mkdir(exist_ok=True)
    (folder / f"{module}.py").write_text(text, encoding="utf-8")
    info = folder / f"{module}-1.0.dist-info"
    info.mkdir()
    info.joinpath("METADATA").write_text(f"Metadata-Version: 2.1\nName: {module}\nVersion: 1.0\n")
    info.joinpath("entry_points.txt").write_text(f"[harness.plugins]\n{module} = {module}\n")


def levelrig(*arguments: str, site: Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    """The command line in a process of its own, with a further folder of installed distributions."""
    path = os.pathsep.join([str(site), *filter(None, [os.environ.get("PYTHONPATH")])])
    return subprocess.run(
        [sys.executable, "-m", "harness.cli", *arguments],
        env={**os.environ, "PYTHONPATH": path, "COLUMNS": "200"},
        cwd=cwd,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )


PLAN = """
[plan]
question = "Does it run?"
repeats = 1
reference = "factory"
[conditions]
cooldown = { seconds = 0 }
warm_up = { seconds = 0 }
[[profiles]]
name = "factory"
[[titles]]
name = "quay"
workload = "WORKLOAD"
measure_s = 1
command = ["sleep", "60"]
without_frames = true
"""


@pytest.mark.parametrize("fault", BROKEN)
def test_a_broken_plugin_is_named_with_its_error_and_everything_else_is_there(fault, tmp_path, monkeypatch):
    text, said = BROKEN[fault]
    module = "plugin_" + "".join(c if c.isalnum() else "_" for c in fault)
    install(tmp_path / "site", module, text)
    monkeypatch.syspath_prepend(str(tmp_path / "site"))
    whole = PluginHost()
    (broken,) = whole.broken
    assert (broken.name, broken.source) == (module, f"{module} 1.0")
    assert said in broken.error
    assert {("workload", "command"), ("reader", "columns"), ("control", "factory")} <= set(whole.kinds)
    assert not any(name == module for name, _ in whole.manager.list_name_plugin())
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN.replace("WORKLOAD", "command"))
    load_plan(plan, whole)  # a plan that does not need it
    plan.write_text(PLAN.replace("WORKLOAD", "harpsichord"))
    with pytest.raises(PlanError) as caught:
        load_plan(plan, whole)
    assert "harpsichord" in str(caught.value)
    assert module in str(caught.value)
    assert said in str(caught.value)


def test_damaged_metadata_of_another_distribution_blocks_nothing(tmp_path, monkeypatch):
    info = tmp_path / "site" / "wreck-1.0.dist-info"
    info.mkdir(parents=True)
    info.joinpath("METADATA").write_bytes(b"\xff\xfe\x00 no metadata at all")
    info.joinpath("entry_points.txt").write_bytes(b"\xff[harness.plugins\nno equals sign\n")
    monkeypatch.syspath_prepend(str(tmp_path / "site"))
    assert ("workload", "command") in PluginHost().kinds


def test_the_commands_work_with_a_broken_plugin_installed_and_doctor_and_run_name_it(tmp_path):
    site = tmp_path / "site"
    install(site, "frayed_cable", BROKEN["missing import"][0])
    restored = levelrig("restore", site=site, cwd=tmp_path)
    assert restored.returncode == 0, restored.stderr
    doctor = levelrig("doctor", "--json", site=site, cwd=tmp_path)
    assert doctor.returncode == 0, doctor.stderr
    (named,) = [f for f in json.loads(doctor.stdout) if f["subject"].startswith("plugin frayed_cable")]
    assert "there_is_no_such_module" in named["detail"]
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN.replace("WORKLOAD", "command"))
    assert levelrig("check", "plan.toml", site=site, cwd=tmp_path).returncode == 0
    run = levelrig("run", "plan.toml", "--into", "c", site=site, cwd=tmp_path)
    assert run.returncode == 0, run.stdout + run.stderr
    assert "plugin frayed_cable (frayed_cable 1.0) is broken and left out" in run.stdout
    assert levelrig("status", "c", site=site, cwd=tmp_path).returncode == 0


class Failing:
    """Every hook that is asked of all plugins raises."""

    def __init__(self, error: BaseException) -> None:
        self.error = error

    @hookimpl
    def kinds(self):
        return [Kind("control", "frail", "raises")]

    @hookimpl
    def open_sensors(self, clock, specs):
        raise self.error

    @hookimpl
    def open_control(self, kind, clock):
        raise self.error

    @hookimpl
    def open_workload(self, kind, cell, clock):
        raise self.error

    @hookimpl
    def read_frame_log(self, source):
        raise self.error

    @hookimpl
    def rig_facts(self):
        raise self.error

    @hookimpl
    def examine(self, clock):
        raise self.error

    @hookimpl
    def factory_deviations(self):
        raise self.error

    @hookimpl
    def open_rehearsal(self, request):
        raise self.error


class Sound:
    """A plugin with one sensor, one control, facts and a rehearsal."""

    @hookimpl
    def kinds(self):
        return [Kind("sensor", "thermometer", "a sensor"), Kind("control", "valve", "a control")]

    @hookimpl
    def open_sensors(self, clock, specs):
        return [ScriptedSensor({"core_temp_c": 41.0}, clock, name="thermometer")]

    @hookimpl
    def open_control(self, kind, clock):
        return ScriptedRig().open_control(kind)

    @hookimpl
    def rig_facts(self):
        return {"card": {"model": "Pebble 7"}}

    @hookimpl
    def factory_deviations(self):
        return ["card 0: power limit is 200 W, factory 300 W"]

    @hookimpl
    def open_rehearsal(self, request):
        return ScriptedRig()


class Babbling(Failing):
    """Every such hook gives something else than its contract says."""

    @hookimpl
    def open_sensors(self, clock, specs):
        return [self.error, None, "sensor"]

    @hookimpl
    def rig_facts(self):
        return {"card": {"clock": {1, 2}}, "x": float("nan")}

    @hookimpl
    def examine(self, clock):
        return 42

    @hookimpl
    def factory_deviations(self):
        return [7]


ERRORS = [KeyError("x"), RecursionError(), MemoryError(), SystemExit(2), GeneratorExit(), UnicodeError("y")]


@pytest.mark.parametrize("error", ERRORS, ids=lambda e: type(e).__name__)
@pytest.mark.parametrize("kind", [Failing, Babbling])
@pytest.mark.parametrize("last", [True, False])
def test_a_hook_that_fails_costs_its_own_plugins_share(kind, error, last):
    plugins = {"sound": Sound(), "frail": kind(error)}
    host = PluginHost(plugins if last else dict(reversed(plugins.items())))
    assert host.broken == []
    clock = FakeClock()
    assert [sensor.name for sensor in host.open_sensors(clock, [])] == ["thermometer"]
    assert machine_facts(host).facts["card"] == {"model": "Pebble 7"}
    assert [said for _, said in host.ask_all("factory_deviations", lambda x: isinstance(x, str))] == [
        "card 0: power limit is 200 W, factory 300 W"
    ]
    plan = Plan.model_construct()
    assert isinstance(host.open_rehearsal(RehearsalRequest(plan, 1)), ScriptedRig)
    assert host.open_control("valve", clock).kind == "valve"
    with pytest.raises(ControlRefused, match="frail"):
        host.open_control("frail", clock)
    assert all("frail" in line for line in host.news)
    assert len(host.news) >= 3
    findings = examine(host, watch_s=0.0)
    assert any("plugin frail failed in" in finding.detail for finding in findings)
    assert any(finding.subject == "thermometer core_temp_c" for finding in findings)


def test_a_rig_tells_once_of_broken_plugins_and_of_sensors_that_did_not_open(tmp_path):
    class Unhashable(Sound):
        __hash__ = None  # type: ignore[assignment]

    host = PluginHost({"sound": Unhashable(), "frail": Failing(KeyError("x")), "nothing": 3})
    assert host.broken == []
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN.replace("WORKLOAD", "command"))
    rig = PluginRig(host, load_plan(plan, PluginHost()), FakeClock())
    assert len(rig.open_sensors()) == 1
    assert "plugin frail failed in open_sensors" in rig.news[-1]
    rig.news.clear()
    assert host.news == []


@pytest.mark.parametrize(
    ("wanted", "order"),
    [(None, ["one", "two:0", "three"]), (["three", "two"], ["three", "two:0"]), (["one"], ["one"])],
)
def test_the_plans_list_of_sensors_is_also_their_order_of_preference(wanted, order) -> None:
    class Host:
        broken: ClassVar[list[object]] = []
        news: ClassVar[list[str]] = []

        kinds: ClassVar[dict[object, object]] = {}

        def graphics_cards(self) -> list[object]:
            return []

        def open_sensors(self, clock: object, specs: object, card: object) -> list[ScriptedSensor]:
            return [ScriptedSensor({}, FakeClock(), name=name) for name in ("one", "two:0", "three")]

    plan = Plan.model_validate(
        {
            "plan": {"question": "Which?", "repeats": 1, "reference": "factory"},
            "sampling": {"sensors": wanted},
            "profiles": [{"name": "factory"}],
            "titles": [{"name": "harbour-lights", "workload": "command", "measure_s": 1}],
        }
    )
    rig = PluginRig(Host(), plan, FakeClock())  # type: ignore[arg-type]
    assert [sensor.name for sensor in rig.open_sensors()] == order
