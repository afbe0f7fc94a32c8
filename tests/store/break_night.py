"""Breaks whole simulated nights: engine, checks and store together, on the simulated rig's virtual clock.

    python tests/store/break_night.py --how kill           every effect of the store broken, one after another
    python tests/store/break_night.py --second-look        the same in a re-measurement of a far repeat
    python tests/store/break_night.py --nights 200         random losses of the rig, as a power cut loses it
Prints one JSON object; exit 1 if anything was lost, duplicated or different.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import sys
import tempfile
import tomllib
from collections import Counter
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

import pyarrow as pa
import pyarrow.parquet as pq
from break_campaign import WAYS, BreakingFileSystem, in_child

from harness import log as harness_log
from harness.engine.campaign import CampaignResult, RunOptions, run_campaign
from harness.engine.progress import Silent, StopSignal
from harness.hookspecs import RehearsalRequest
from harness.plan.load import load_plan
from harness.plan.schema import Plan
from harness.plugins import PluginHost
from harness.rehearse import through_losses
from harness.rig import Launch, Rig
from harness.store import files
from harness.store.campaign import CampaignStore
from harness.store.files import TEMPORARY
from harness.store.verify import verify
from harness.testing import RecordingControl, ScriptedRig, ScriptedSensor, ScriptedWorkload, WorkloadScript

PLAN = """
[plan]
question = "Does the quiet setting keep the frame rate?"
repeats = {repeats}
reference = "factory"
allow_hardware_changes = true

[conditions]
cooldown = {{ seconds = {cooldown_s} }}
warm_up = {{ seconds = 2 }}

[sampling]
period_s = {period_s}

[retries]
attempts_per_repeat = 20
set_aside_after_machine_crashes = {losses}
set_aside_after_crashes = 2

[checks]
telemetry_gap_at_most_s = 20
foreign_cpu_load_at_most_pct = 99

[[profiles]]
name = "factory"

[[profiles]]
name = "quiet"
control = "simulated"
power_limit_pct = 80

{titles}
"""
TITLE = """
[[titles]]
name = "{name}"
workload = "simulated"
measure_s = 6
"""
#: Columns that tell which process measured and when; all others must not depend on what was broken.
PASSING = {
    "campaign_id", "started_utc", "start_s", "attempt_index", "duration_s", "boot_id", "position",
}  # fmt: skip
#: A resumed night's virtual clock starts again, so its times are rounded otherwise; relative.
TOLERANCE = 1e-9


def run_or_resume(plan: Plan, plan_path: Path, rig: Rig, folder: Path) -> CampaignResult:
    """The night, without anybody watching."""
    return run_campaign(
        plan=plan,
        plan_text=plan_path.read_text(),
        plan_source=str(plan_path),
        rig=rig,
        folder=folder,
        observer=Silent(),
        stop=StopSignal(),
        options=RunOptions(),
    )


def night(folder: Path, plan_path: Path, options: dict[str, Any], seed: int = 1) -> int:
    """Run or resume a simulated night; returns how often its rig was lost."""
    host = PluginHost()
    plan = load_plan(plan_path, host)
    request = RehearsalRequest(plan=plan, seed=seed, options=options)
    rig = host.manager.hook.open_rehearsal(request=request)
    _, losses = through_losses(rig, lambda rig: run_or_resume(plan, plan_path, rig, folder))
    return losses


class FarRepeat(ScriptedWorkload):
    """A title that is slower in all attempts at one cell's second repeat, but not in a re-measurement."""

    def start(self, launch: Launch) -> None:
        far = launch.cell.profile.name == "quiet" and launch.output_path.parent.name.startswith("2.")
        frametime_ms = [(9.0 + 2.0 * (n * 7 % 100) / 99) * (1.2 if far else 1.0) for n in range(2000)]
        self.script = WorkloadScript(frametime_ms=frametime_ms)
        super().start(launch)


def scripted_night(folder: Path, plan_path: Path) -> None:
    """Run or resume a night whose figures depend on nothing but the plan, so that tables can be compared.

    On the simulated rig they can't: a card that was left alone for a while is cooler, as a real one is.
    """
    plan = Plan.model_validate(tomllib.loads(plan_path.read_text()))
    rig = ScriptedRig()
    rig.sensors = [ScriptedSensor({"core_temp_c": 40.0, "power_w": 200.0}, rig.clock)]
    rig.controls["simulated"] = RecordingControl("simulated", changes_hardware=True)
    rig.workload = lambda cell: FarRepeat(rig.clock)
    run_or_resume(plan, plan_path, rig, folder)


def broken_night(folder: Path, plan_path: Path, breaking: BreakingFileSystem) -> None:
    files.FileSystem = lambda: breaking  # type: ignore[misc, assignment]
    scripted_night(folder, plan_path)


def repeats_of(folder: Path) -> list[dict[str, Any]]:
    table = pq.read_table(folder / "dataset" / "repeats.parquet")
    keys = ("cell_id", "repeat_index", "second_look")
    rows = table.sort_by([(key, "ascending") for key in keys]).to_pylist()
    for row in rows:  # that the disk was full while the last evidence was written is said, and may be
        row["marks"] = [mark for mark in row["marks"] if not mark.startswith("evidence-incomplete")]
    return [{k: v for k, v in row.items() if k not in PASSING} for row in rows]


def differences(rows: list[dict[str, Any]], wanted: list[dict[str, Any]]) -> list[str]:
    found = [] if len(rows) == len(wanted) else [f"{len(rows)} repeats instead of {len(wanted)}"]
    for row, other in zip(rows, wanted, strict=False):
        for name, value in row.items():
            same = value == other[name]
            if isinstance(value, float) and isinstance(other[name], float):
                same = abs(value - other[name]) <= TOLERANCE * max(1.0, abs(value))
            if not same:
                found.append(
                    f"{row['cell_id']} {row['repeat_index']} {name}: {value} instead of {other[name]}"
                )
    return found


def judge(folder: Path, wanted: list[dict[str, Any]] | None) -> dict[str, Any]:
    """Lost and duplicated repeats and damage in a finished folder; surviving cells must be complete."""
    with CampaignStore.read(folder) as store:
        standing = store.standing()
        counts = Counter(
            (r["cell_id"], r["repeat_index"], r["sentinel"], r["second_look"])
            for r in store.repeats_table().to_pylist()
        )
    surviving = [r for r in standing.repeats if not r.set_aside]
    return {
        "lost": sum(not r.accepted for r in surviving),
        "duplicated": sum(n - 1 for n in counts.values()),
        "set_aside": len(standing.set_aside),
        "different": differences(repeats_of(folder), wanted) if wanted is not None else [],
        "damage": [str(f) for f in verify(folder).damage],
        "leftovers": [str(p) for p in folder.rglob("*" + TEMPORARY)],
    }


def write_plan(
    path: Path, *, repeats: int, titles: int, cooldown_s: float, period_s: float, losses: int
) -> Path:
    listed = "".join(TITLE.format(name=f"invented-{n}") for n in range(1, titles + 1))
    path.write_text(
        PLAN.format(repeats=repeats, titles=listed, cooldown_s=cooldown_s, period_s=period_s, losses=losses)
    )
    return path


def break_everywhere(base: Path, ways: list[str], second_look: bool = False) -> dict[str, Any]:
    repeats = 4 if second_look else 1
    plan = write_plan(base / "plan.toml", repeats=repeats, titles=1, cooldown_s=2, period_s=1, losses=1000)
    counting = BreakingFileSystem()
    _, effects = in_child(lambda: (broken_night(base / "whole", plan, counting), counting.done)[1])
    wanted = repeats_of(base / "whole")
    assert sum(bool(row["second_look"]) for row in wanted) == second_look
    first = effects.index("commit:add_slots") if second_look else 0
    total: Counter[str] = Counter()
    failed: list[str] = []
    for how in ways:
        kinds = WAYS[how][1]
        for at, effect in enumerate(effects, start=1):
            if at <= first or (kinds is not None and effect.split(":")[0] not in kinds):
                continue
            folder = base / "c"
            shutil.rmtree(folder, ignore_errors=True)
            breaking = BreakingFileSystem(at, how)
            status, _ = in_child(lambda b=breaking, f=folder: broken_night(f, plan, b))
            total["points"] += 1
            total["breaks"] += os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 7
            _, verdict = in_child(lambda f=folder: (scripted_night(f, plan), judge(f, wanted))[1])
            add(total, failed, f"{how} at {at} ({effect})", verdict)
    return {"effects_of_one_night": dict(sorted(Counter(effects).items())), **figures(total, failed)}


def lose_the_rig(base: Path, nights: int, seed: int) -> dict[str, Any]:
    plan = write_plan(base / "plan.toml", repeats=2, titles=3, cooldown_s=5, period_s=1, losses=3)
    total: Counter[str] = Counter()
    failed: list[str] = []
    draw = random.Random(seed)
    for number in range(nights):
        folder = base / "c"
        shutil.rmtree(folder, ignore_errors=True)
        options = {
            "frame_rate_scale": 0.1,
            "restart_s": 30,
            "fault_probability": {"rig-loss": draw.choice((0.05, 0.15, 0.3)), "title-crash": 0.05},
        }
        _, losses = in_child(lambda f=folder, o=options, n=number: night(f, plan, o, seed=n))
        total["points"] += 1
        total["machine_crashes"] += losses or 0
        _, verdict = in_child(lambda f=folder: judge(f, None))
        add(total, failed, f"night {number}", verdict if losses is not None else None)
    return figures(total, failed) | {
        "machine_crashes": total["machine_crashes"],
        "set_aside": total["set_aside"],
    }


def add(total: Counter[str], failed: list[str], where: str, verdict: dict[str, Any] | None) -> None:
    if verdict is None:
        failed.append(f"{where}: did not come to its end")
        return
    total["lost"] += verdict["lost"]
    total["duplicated"] += verdict["duplicated"]
    total["set_aside"] += verdict["set_aside"]
    for name in ("different", "damage", "leftovers"):
        total[name] += bool(verdict[name])
    if any(verdict[name] for name in verdict if name != "set_aside"):
        failed.append(f"{where}: {verdict}")


def figures(total: Counter[str], failed: list[str]) -> dict[str, Any]:
    names = (
        "points", "breaks", "lost", "duplicated", "different", "damage", "leftovers",
    )  # fmt: skip
    return {**{name: total[name] for name in names}, "failed": failed[:20], "failed_count": len(failed)}


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--how", choices=WAYS, action="append", help="ways to break it; default: kill")
    parser.add_argument("--second-look", action="store_true", help="break only from the re-measurement on")
    parser.add_argument("--nights", type=int, default=0, help="so many nights with random losses of the rig")
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    pa.set_cpu_count(1)
    harness_log.configure(verbose=False)
    memory = Path("/dev/shm")
    base = Path(tempfile.mkdtemp(dir=memory if memory.is_dir() else None))
    try:
        if arguments.nights:
            result = lose_the_rig(base, arguments.nights, arguments.seed)
        else:
            result = break_everywhere(base, arguments.how or ["kill"], arguments.second_look)
    finally:
        shutil.rmtree(base, ignore_errors=True)
    print(json.dumps(result, indent=1))
    return 1 if result["failed"] else 0


if __name__ == "__main__":
    sys.exit(main())
