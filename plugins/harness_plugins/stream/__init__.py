"""Sensor ``stream``: any program or instrument whose output lines hold named quantities."""

from __future__ import annotations

from collections.abc import Sequence

from harness.clock import Clock
from harness.hookspecs import Kind, Need, hookimpl
from harness.plan.schema import Plan, SensorSpec
from harness.rig import Sensor
from harness_plugins.stream.options import StreamOptions


@hookimpl
def kinds() -> Sequence[Kind]:
    summary = "an instrument or program whose output lines hold named quantities (wall meter, ambient probe)"
    return [Kind("sensor", "stream", summary, StreamOptions)]


@hookimpl
def open_sensors(clock: Clock, specs: Sequence[SensorSpec]) -> Sequence[Sensor]:
    own = [spec for spec in specs if spec.kind == "stream"]
    if not own:
        return []
    from harness_plugins.stream.options import open_stream

    return [
        open_stream(StreamOptions.model_validate(spec.options), number, clock, spec.base)
        for number, spec in enumerate(own, 1)
    ]


@hookimpl
def levelrig_needs(plan: Plan) -> Sequence[Need]:
    if all(spec.kind != "stream" for spec in plan.sensors):
        return []
    from harness_plugins.stream.options import stream_needs

    return stream_needs(plan)
