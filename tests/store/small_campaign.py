"""A small campaign on the store alone, the same on every run, for tests that break it.

Two profiles of one title, two repeats each; the first try at the first repeat is rejected by script.
What is measured depends on cell and repeat only, so a run that was broken and resumed must end with the
very tables of the undisturbed one.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from harness.plan.cells import expand
from harness.plan.order import arrange
from harness.plan.schema import Plan, Slot
from harness.rig import RigFacts
from harness.store.campaign import AttemptRef, CampaignStore
from harness.store.files import FileSystem
from harness.tables import FRAMES

START_UTC = datetime(2030, 1, 1, 20, tzinfo=UTC)
PLAN_TEXT = "# the store keeps the plan's text and never parses it\n"
PHASES = ("apply", "cooldown", "launch", "measure", "commit")
GROWING = pa.schema([pa.field("t_s", pa.float64(), False), pa.field("power_w", pa.float64())])
#: Columns that tell which process measured and when; all others must not depend on what was broken.
PASSING = ("campaign_id", "started_utc", "start_s", "attempt_index", "duration_s", "boot_id")


def plan(repeats: int = 2, titles: int = 1, **changes: Any) -> Plan:
    """The plan; ``changes`` replace whole tables."""
    base: dict[str, Any] = {
        "plan": {"question": "Is it?", "repeats": repeats, "reference": "factory"},
        "profiles": [{"name": "factory"}, {"name": "quiet", "power_limit_w": 180}],
        "titles": [
            {"name": f"title-{n}", "workload": "command", "measure_s": 60} for n in range(1, titles + 1)
        ],
    }
    return Plan.model_validate(base | changes)


def facts(boot_id: str = "boot-1", rig_id: str = "rig-1") -> RigFacts:
    return RigFacts(rig_id=rig_id, boot_id=boot_id, facts={"card": {"model": "Invented 9"}})


def open_store(
    folder: Path, the_plan: Plan | None = None, *, boot_id: str = "boot-1", rig_id: str = "rig-1", **more: Any
) -> CampaignStore:
    the_plan = the_plan or plan()
    cells = expand(the_plan)
    return CampaignStore.open(
        folder,
        **{
            "plan_text": PLAN_TEXT,
            "plan_source": "small.toml",
            "cells": cells,
            "slots": arrange(the_plan, cells),
            "facts": facts(boot_id, rig_id),
            "now_utc": START_UTC,
            "retries": the_plan.retries,
            **more,
        },
    )


def figure(slot: Slot, name: str) -> float:
    """A made-up figure that depends on the planned repeat only."""
    digest = hashlib.sha256(f"{slot.cell_id}/{slot.repeat_index}/{name}".encode()).digest()
    return 50 + int.from_bytes(digest[:4], "big") / 2**32


def begin(store: CampaignStore, slot: Slot, boot_id: str = "boot-1") -> AttemptRef:
    return store.begin_attempt(slot, started_utc=START_UTC, start_s=0.0, boot_id=boot_id)


def measure(store: CampaignStore, slot: Slot, *, boot_id: str = "boot-1", **outcome: Any) -> AttemptRef:
    """One whole attempt; ``outcome`` overrides columns of its row."""
    ref = begin(store, slot, boot_id)
    growing = store.table_writer(ref, "telemetry", GROWING)
    for number, phase in enumerate(PHASES):
        store.mark_phase(ref, phase, float(number))
        if number < 2:
            growing.write(pa.table({"t_s": [float(number)], "power_w": [figure(slot, phase)]}, GROWING))
    store.heartbeat(START_UTC + timedelta(seconds=slot.position))
    growing.commit()
    frametime_ms = [1000 / figure(slot, str(n)) for n in range(50)]
    t_s = [sum(frametime_ms[: n + 1]) / 1000 for n in range(50)]
    store.write_table(ref, "frames", pa.table({"t_s": t_s, "frametime_ms": frametime_ms}, FRAMES))
    with tempfile.TemporaryDirectory() as elsewhere:
        log = Path(elsewhere, "frames.csv")
        log.write_text("\n".join(map(str, frametime_ms)))
        store.keep_file(ref, log, "frames.csv")
    store.commit_attempt(ref, row(slot, **outcome))
    return ref


def row(slot: Slot, **outcome: Any) -> dict[str, Any]:
    return {
        "verdict": "accepted",
        "marks": ["a-mark"],
        "average_fps": figure(slot, "fps"),
        "mean_power_w": figure(slot, "power"),
        "boot_id": "boot-1",
        **outcome,
    }


def run(
    folder: Path,
    the_plan: Plan | None = None,
    file_system: FileSystem | None = None,
    acknowledge: Callable[[str], object] = lambda attempt_id: None,
    **more: Any,
) -> None:
    """Begin or go on, to the end. The first slot's first finished try is rejected.

    ``acknowledge`` is called with the attempt's id once an accepted attempt is promised to be durable.
    """
    with open_store(folder, the_plan, file_system=file_system, **more) as store:
        while slots := store.remaining_slots():
            slot = slots[0]
            rejected = slot.position == 1 and not was_rejected(store)
            verdict = (
                {"verdict": "rejected", "reason_code": "scripted", "reason": "by script"} if rejected else {}
            )
            ref = measure(store, slot, **verdict)
            if not rejected:
                acknowledge(ref.attempt_id)
        store.note("checked", "an event")
        store.export_dataset()
        store.finish("done")


def was_rejected(store: CampaignStore) -> bool:
    return "rejected" in store.attempts_table()["verdict"].to_pylist()


def final_repeats(folder: Path) -> pa.Table:
    """The repeats table as exported, without what may differ, in the order of the night."""
    table = pq.read_table(folder / "dataset" / "repeats.parquet")
    return table.drop_columns(list(PASSING)).sort_by("position")
