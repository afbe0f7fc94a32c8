"""SIGKILL in the middle of an apply or a restore: the real watch of the guard puts the card back.

A process applies and restores a profile over and over on the machine of trees, slowly; it is killed at
some write. Its watch, started as a run starts it, but on the same machine of trees, does the rest.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("the kernel's file tree is Linux's", allow_module_level=True)

from tests.machine.amd import Card
from tests.machine.tree import Tree
from tests.plugins.amdgpu.test_generations import profile_for, standing

HOME = "0000:03:00.0"
REPOSITORY = Path(__file__).parents[3]
_WATCH = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from tests.machine.tree import Tree
Tree.opened(Path(sys.argv[2])).install()
from harness.guard.__main__ import main
sys.exit(main(sys.argv[3:]))
"""
_RUN = """
import json, sys
from pathlib import Path
repository, root, record, watch, profile = sys.argv[1:]
sys.path.insert(0, repository)
from tests.machine.tree import Tree
tree = Tree.opened(Path(root)).install()
tree.each_write_takes_s = 0.02
from harness.clock import SystemClock
from harness.engine.profiles import ProfileKeeper
from harness.guard import Guard, RestoreRecord
from harness.guard import watch as watching
from harness.plan.schema import ProfileSpec
from harness.plugins import PluginHost
watching.python_command = lambda module, *words: [sys.executable, watch, repository, root, *words]
host = PluginHost()
controls = {}
def open_control(kind):
    return controls.setdefault(kind, host.open_control(kind, SystemClock(), None))
guard = Guard(lambda kind: True, RestoreRecord(Path(record)))
keeper = ProfileKeeper(open_control, guard, allow_hardware_changes=True)
while True:
    keeper.apply(ProfileSpec.model_validate(json.loads(profile)))
    keeper.restore()
"""


def wait_until(true: Callable[[], bool], patience_s: float = 60.0) -> bool:
    end_s = time.monotonic() + patience_s
    while time.monotonic() < end_s:
        if true():
            return True
        time.sleep(0.02)
    return False


@pytest.mark.parametrize(
    ("generation", "kernel", "writes"),
    [
        ("vangogh", "6.12", 13),
        ("navi31", "6.12", 39),
        pytest.param("navi31", "6.12", 21, marks=pytest.mark.endurance),
        pytest.param("polaris", "6.1", 8, marks=pytest.mark.endurance),
    ],
)
def test_the_watch_puts_the_card_back_after_a_kill(
    tmp_path: Path, generation: str, kernel: str, writes: int
) -> None:
    tree = Tree(tmp_path / "sys")
    tree.add(Card(generation, HOME, kernel=kernel))
    before = standing(tree)
    (tmp_path / "watch.py").write_text(_WATCH)
    record = tmp_path / "state" / "restore.json"
    keys = {"name": "quiet", "control": "amdgpu", **profile_for(generation, kernel).options}
    words = [REPOSITORY, tree.root, record, tmp_path / "watch.py", json.dumps(keys)]
    command = [sys.executable, "-c", _RUN, *map(str, words)]
    run = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    try:
        begun = wait_until(lambda: len(tree.all_writes()) >= writes or run.poll() is not None)
        assert run.poll() is None, run.communicate()[1]
        assert begun
        run.send_signal(signal.SIGKILL)
        run.wait()
        assert wait_until(lambda: not record.exists() and standing(tree) == before), standing(tree)
    finally:
        run.kill()
        run.communicate()
