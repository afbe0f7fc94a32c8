"""A small bench on which the simulated rig's titles are run without the engine."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from harness.errors import SensorUnavailable
from harness.hookspecs import RehearsalRequest
from harness.plan.schema import Cell, FrameLogSpec, Plan, PlanHead, ProfileSpec, SettingSpec, TitleSpec
from harness.rig import Launch, Workload
from harness_plugins.simulated.rig import SimulatedRig

FACTORY = ProfileSpec(name="factory")


@dataclass
class Bench:
    """A simulated rig, a folder, and all that its sensors said (every 0.1 s once ``watch`` was called)."""

    rig: SimulatedRig
    folder: Path
    rows: list[dict[str, Any]] = field(default_factory=list)

    def watch(self, period_s: float = 0.1) -> None:
        sensors = [(s, [c.quantity for c in s.channels()]) for s in self.rig.open_sensors()]

        def look() -> None:
            row: dict[str, Any] = {"t_s": self.rig.clock.now_s()}
            for sensor, quantities in sensors:
                try:
                    row |= sensor.read(quantities)
                except SensorUnavailable:
                    row["lost"] = True
            self.rows.append(row)

        self.rig.clock.every(period_s, look)

    def sleep(self, seconds: float) -> None:
        self.rig.clock.sleep_s(seconds)

    def cell(self, title: TitleSpec, profile: ProfileSpec = FACTORY) -> Cell:
        return Cell(
            cell_id=f"{title.name}.default.{profile.name}",
            title=title,
            setting=title.settings[0],
            profile=profile,
            workload_options={},
            definition_hash="0",
        )

    def apply(self, profile: ProfileSpec) -> None:
        self.rig.open_control(profile.control).apply(profile)

    def start(self, title: TitleSpec, profile: ProfileSpec = FACTORY) -> Workload:
        cell = self.cell(title, profile)
        launch = Launch(cell=cell, work_folder=self.folder, output_path=self.folder / "output.log")
        control = self.rig.open_control(profile.control)
        workload = self.rig.open_workload(cell)
        workload.start(control.adapt_launch(profile, launch))
        while not workload.poll().ready:
            self.sleep(0.5)
        return workload

    def measure(self, workload: Workload, warm_up_s: float, window_s: float) -> pd.Series:
        """Mean readings over the window, with average FPS and 1 % low; stops the title."""
        self.sleep(warm_up_s)
        start_s, first = self.rig.clock.now_s(), len(self.rows)
        self.sleep(window_s)
        end_s = self.rig.clock.now_s()
        workload.stop(1.0)
        means = pd.DataFrame(self.rows[first:]).mean(numeric_only=True)
        source = workload.frame_log()
        assert source is not None
        frames = self.rig.read_frame_log(source).frames.to_pandas()
        window = frames[(frames.t_s > start_s) & (frames.t_s <= end_s)]
        means["average_fps"] = len(window) / (end_s - start_s)
        means["one_percent_low_fps"] = 1000 / np.percentile(window.frametime_ms, 99)
        return means


BenchMaker = Callable[..., Bench]


def title_of(name: str = "harbour-lights", **keys: Any) -> TitleSpec:
    keys = {"workload": "command", "measure_s": 60.0, "frame_log": FrameLogSpec(path="frames.csv"), **keys}
    return TitleSpec(name=name, settings=[SettingSpec(name="default")], **keys)


@pytest.fixture
def bench(tmp_path: Path) -> BenchMaker:
    def make(
        options: dict[str, Any] | None = None,
        seed: int = 1,
        profiles: list[ProfileSpec] | None = None,
        model_path: Path | None = None,
    ) -> Bench:
        plan = Plan(
            plan=PlanHead(question="Does it hold?", repeats=1, reference="factory"),
            profiles=profiles or [FACTORY],
            titles=[title_of()],
        )
        request = RehearsalRequest(plan=plan, seed=seed, model_path=model_path, options=options or {})
        return Bench(SimulatedRig(request), tmp_path)

    return make


@pytest.fixture
def make_title() -> Callable[..., TitleSpec]:
    return title_of
