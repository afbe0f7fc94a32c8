"""A folder measured by an earlier version goes on: nothing is measured again that means the same now.

``data/measured-before.tar.gz`` is a whole campaign as the version wrote it in which hashes took in every key
of a plugin, rig ids came from a network address, rows said nothing of stutter, and none lay beside its files.
"""

from __future__ import annotations

import tarfile
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from harness.engine.campaign import RunOptions, run_campaign
from harness.engine.progress import Silent, StopSignal
from harness.errors import PlanChanged
from harness.plan.cells import expand
from harness.plan.load import parse_plan
from harness.plan.order import arrange
from harness.plugins import PluginHost
from harness.report.folder import read_campaign
from harness.rig import RigFacts
from harness.store.campaign import CampaignStore
from harness.store.journal import JOURNAL_NAME
from harness.store.opening import PlanInForce
from harness.store.rebuild import rebuild
from harness.store.verify import verify
from harness.testing import RecordingControl, ScriptedRig, ScriptedSensor, ScriptedWorkload, WorkloadScript

KEPT = Path(__file__).with_name("data") / "measured-before.tar.gz"
FACTS = {
    "processor": {"model": "Invented 8", "architecture": "x86_64", "logical_cpus": 8, "cores": 4},
    "memory": {"total_mib": 32_000},
}
AS_IT_IS = RunOptions()
HERE = RigFacts("0123456789ab-none", "boot-2", FACTS)


@pytest.fixture
def before(tmp_path):
    with tarfile.open(KEPT) as archive:
        archive.extractall(tmp_path, filter="data")
    return tmp_path / "c"


def go_on(folder, *changes, options=AS_IT_IS, identity=HERE):
    """Run the folder's own plan, with words in it replaced; what the attempts are then."""
    text = (folder / "plan.toml").read_text()
    for word, other in changes:
        assert word in text
        text = text.replace(word, other)
    rig = ScriptedRig(identity=identity)
    rig.sensors = [ScriptedSensor({"core_temp_c": 40.0, "power_w": 200.0}, rig.clock)]
    rig.controls["command"] = RecordingControl("command", changes_hardware=True)
    frametime_ms = np.random.default_rng(3).gamma(20.0, 1.0, 400).tolist()
    rig.workload = lambda cell: ScriptedWorkload(rig.clock, WorkloadScript(frametime_ms=frametime_ms))
    run_campaign(
        plan=parse_plan(text, "night.toml", PluginHost().kinds),
        plan_text=text,
        plan_source="night.toml",
        rig=rig,
        folder=folder,
        observer=Silent(),
        stop=StopSignal(),
        options=options,
    )
    return pq.read_table(folder / "dataset" / "attempts.parquet").to_pylist()


def test_it_is_sound_and_can_be_read(before):
    assert verify(before).sound
    assert len(read_campaign(before).repeats) == 4
    with CampaignStore.read(before) as store:
        assert store.standing().accepted_count == 4


def test_the_same_plan_keeps_all_of_it_on_the_same_machine(before):
    old = pq.read_table(before / "dataset" / "attempts.parquet").to_pylist()
    rows = go_on(before)
    assert len(rows) == 4
    for was, row in zip(old, rows, strict=True):
        for name, value in was.items():
            assert row[name] == value or name == "definition_hash", name
    assert verify(before).findings == ()
    with CampaignStore.read(before) as store:
        assert "rig-renamed" in {event["kind"] for event in store.events()}


PUT_RIGHT = [
    ('restore = ["tune", "reset"]', 'restore = ["/opt/tune", "reset"]\ntimeout_s = 120'),
    ("until_at_most_c = 45, timeout_s = 60", "until_at_most_c = 45, timeout_s = 900"),
    ("seconds = 2, timeout_s = 90", "seconds = 2, timeout_s = 300"),
    ('command = ["harbour"]', 'command = ["harbour"]\ndeadline_s = 900\nfail_line = "lost"'),
]


def test_the_plan_put_right_at_the_same_time_keeps_it_too(before):
    rows = go_on(before, *PUT_RIGHT)
    assert [row["verdict"] for row in rows] == ["accepted"] * 4
    assert len(go_on(before, *PUT_RIGHT[:0])) == 4  # and once more, now by the new hashes


def test_a_changed_metric_definition_recomputes_it(before):
    rows = go_on(before, ('reference = "factory"', 'reference = "factory"\nstutter_multiple = 1.2'))
    assert len(rows) == 4
    assert {row["stutter_multiple"] for row in rows} == {1.2}


def test_what_really_changed_is_told_and_measured_again(before):
    change = ('apply = ["tune", "quiet"]', 'apply = ["tune", "very-quiet"]')
    with pytest.raises(PlanChanged, match="2 accepted repeats"):
        go_on(before, change)
    rows = go_on(before, change, options=RunOptions(discard_changed=True))
    assert len(rows) == 6
    assert sum(row["profile"] == "factory" for row in rows) == 2


def test_it_can_be_rebuilt_from_its_dataset(before):
    (before / JOURNAL_NAME).unlink()
    text = (before / "plan.toml").read_text()
    plan = parse_plan(text, "night.toml", PluginHost().kinds)
    cells = expand(plan)
    in_force = PlanInForce(text, "night.toml", cells, arrange(plan, cells), plan.retries)
    assert rebuild(before, in_force, datetime(2030, 1, 2, tzinfo=UTC)).witnesses["the dataset"] == 4
    assert verify(before).findings == ()
    assert len(go_on(before)) == 4


def test_on_another_machine_it_is_another_rig(before):
    other = replace(HERE, facts={**FACTS, "memory": {"total_mib": 16_000}})
    with pytest.raises(Exception, match="the machine differs"):
        go_on(before, identity=other)
