"""Who may import whom: every allowed arrow between rooms is stated once, below, and any other fails.

A room is a package of ``harness`` or a single module beside them; so are, inside ``harness.report``, its
packages and modules. Imports inside functions and for types alone count like all others.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping, Set
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

#: Room -> rooms that it may import, from the ground up: a room stands below all that import it.
ALLOWED: dict[str, str] = {
    # the ground: contracts and small tools
    "attempt_row": "",
    "apart": "",
    "awake": "windows",
    "boots": "windows",
    "card": "errors",
    "clock": "",
    "columns": "",
    "csvtext": "",
    "errors": "numerals",
    "filelock": "",
    "harness": "",
    "patterns": "",
    "places": "",
    "plaintext": "",
    "streams": "",
    "systemtools": "errors",
    "proctable": "",
    "reasons": "",
    "rig_identity": "",
    "programs": "errors",
    "tables": "columns metrics stages",
    "windows": "",
    "windows_acl": "",
    "identity": "boots proctable",
    "heldfiles": "windows",
    "inside": "errors heldfiles",
    "isolated": "harness",
    "newfiles": "",
    "lines": "inside patterns",
    "metrics": "columns",
    "userfiles": "errors heldfiles",
    "log": "inside plaintext",
    "numerals": "",
    "parquet": "",
    "marks": "identity proctable",
    "output": "inside lines log patterns",
    "titlewatch": "apart identity isolated marks",
    # the plan and the seams
    "plan": "card errors metrics patterns programs stages tables userfiles",
    "rig": "clock errors plan",
    "power_sensor": "errors plan",
    "power_models": "errors inside places power_sensor",
    "power_probe": "card clock errors plugins power_sensor rig",
    "boundary": "clock columns errors log metrics plan rig stages tables",
    "needs": "patterns plan programs stages",
    "hookspecs": "card clock metrics needs plan power_sensor rig stages",
    "companions": "clock errors inside log newfiles patterns plan processes programs rig",
    "steps": "clock errors inside lines log newfiles patterns plan processes programs rig userfiles",
    "capture": "clock errors filelock frames log numerals places plan processes programs rig",
    "titlefiles": "errors lines places plan programs rig",
    "plugins": "boots boundary capture card clock companions errors hookspecs metrics needs places plan "
    "power_models power_sensor rig rig_identity stages steps tables titlefiles",
    "processes": "clock errors inside isolated marks output proctable rig titlewatch windows",
    "testing": "clock errors plan rig tables",
    # rules, readings, frames, figures, folders
    "conditions": "numerals",
    "stages": "columns conditions numerals",
    "telemetry": "clock errors metrics numerals plan rig tables",
    "frames": "columns errors metrics numerals plan rig tables",
    "checks": "boundary conditions frames metrics numerals plan stages telemetry",
    "analysis": "columns conditions errors metrics numerals plan reasons store",
    "store": "attempt_row boots columns csvtext errors filelock heldfiles inside numerals parquet plan "
    "reasons rig rig_identity tables userfiles",
    "collect": "checks errors frames inside metrics numerals parquet plan store tables userfiles",
    "guard": "apart card clock errors filelock heldfiles identity isolated log places plugins proctable rig "
    "windows windows_acl",
    # a night
    "newplan": "analysis card errors plan tables",
    "before_night": "awake errors log metrics needs plan plugins power_sensor programs rig stages steps "
    "store telemetry titlefiles",
    "engine": "attempt_row boots boundary checks clock conditions errors frames guard inside lines log "
    "metrics numerals parquet plan power_sensor reasons rig rig_identity stages store tables telemetry "
    "titlefiles",
    "characterise": "boundary errors parquet plan rig telemetry userfiles",
    "rehearse": "analysis errors metrics numerals plan rig stages telemetry",
    "rehearsal_folder": "errors inside store",
    "doctor": "card clock errors hookspecs plugins power_models rig stages",
    "pretend": "guard isolated rig testing",
    "terminal": "clock engine numerals plaintext streams",
    # the report
    "report": "report.package report.write",
    "report.summarise": "analysis report.charts report.files report.folder report.names report.page",
    "report.elements": "numerals",
    "report.conditions": "plan stages",
    "report.names": "report.folder",
    "report.files": "errors inside",
    "report.reading": "errors inside parquet plan store",
    "report.folder": "analysis errors metrics plan power_sensor report.reading report.thumbnail store tables",
    "report.thumbnail": "",
    "report.mean_levels": "analysis metrics report.elements",
    "report.numbers": "analysis metrics numerals report.elements report.folder report.mean_levels stages",
    "report.sections": "analysis boundary frames metrics numerals plan power_sensor reasons "
    "report.conditions report.elements report.folder report.names report.numbers stages tables",
    "report.charts": "analysis csvtext errors inside metrics numerals plan power_sensor "
    "report.conditions report.elements report.files report.folder report.names report.sections stages",
    "report.page": "analysis metrics numerals report.charts report.conditions report.elements report.folder "
    "report.mean_levels report.names report.sections",
    "report.package": "analysis boundary clock columns csvtext errors inside numerals report.elements "
    "report.folder report.numbers store tables",
    "report.compare": "analysis metrics numerals plan report.charts report.elements report.folder "
    "report.names report.page report.sections",
    "report.write": "analysis columns csvtext errors inside report.charts report.compare report.elements "
    "report.files report.folder report.names report.numbers report.package report.page report.sections",
    # what people use
    "trying": "boundary checks clock engine errors frames numerals patterns plaintext plan processes reasons "
    "rig stages tables telemetry terminal watch",
    "watch": "analysis attempt_row boundary engine errors frames inside metrics numerals plan report.charts "
    "stages store",
    "supervise": "apart clock engine errors guard inside isolated numerals places plaintext plan processes "
    "store systemtools userfiles watch windows",
    "selftest": "card clock errors harness inside numerals plugins pretend processes rig selftest_parts "
    "store watch",
    "selftest_parts": "awake boots clock heldfiles inside isolated numerals pretend processes rig steps "
    "streams supervise systemtools windows",
    "commands": "analysis awake before_night boundary capture card characterise clock collect csvtext "
    "doctor engine errors frames guard heldfiles hookspecs inside log marks metrics needs newplan numerals "
    "places plaintext plan plugins power_models power_probe "
    "power_sensor processes programs rehearsal_folder rehearse report report.charts report.files "
    "report.folder report.package report.reading report.summarise rig selftest store "
    "supervise terminal titlefiles titlewatch trying userfiles watch windows",
    "cli": "commands errors harness log plaintext streams terminal",
}


def room_of(module: str) -> str:
    """``harness.report.charts.style`` lies in ``report.charts``, ``harness.plan.load`` in ``plan``."""
    parts = module.split(".")
    if len(parts) == 1:
        return module
    return ".".join(parts[1 : 3 if parts[1] == "report" else 2])


@cache
def modules() -> dict[str, Path]:
    paths = (ROOT / "harness").rglob("*.py")
    return {
        ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): path
        for path in paths
    }


def imports_of(module: str) -> Iterator[str]:
    """Modules of ``harness`` that a module names in its imports."""
    for node in ast.walk(ast.parse(modules()[module].read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module}: imports are written out in full"
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                yield inner if inner in modules() else str(node.module)
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)


@cache
def graph() -> dict[str, frozenset[str]]:
    return {
        module: frozenset(name for name in imports_of(module) if name in modules() and name != module)
        for module in modules()
    }


def assert_no_circle(arrows: Mapping[str, Set[str]]) -> None:
    try:
        TopologicalSorter(arrows).prepare()
    except CycleError as error:
        pytest.fail(f"a circle of imports: {' -> '.join(error.args[1])}")


def test_every_arrow_between_rooms_is_an_allowed_one():
    strange = sorted(
        f"{module} imports {target}"
        for module, targets in graph().items()
        for target in targets
        if room_of(target) not in {room_of(module), *ALLOWED.get(room_of(module), "").split()}
    )
    assert strange == []


def test_every_room_is_stated():
    assert {room_of(module) for module in modules()} - ALLOWED.keys() == set()


def test_the_allowed_arrows_have_no_circle():
    assert_no_circle({room: set(others.split()) for room, others in ALLOWED.items()})


def test_modules_have_no_circle_of_imports():
    assert_no_circle(graph())
