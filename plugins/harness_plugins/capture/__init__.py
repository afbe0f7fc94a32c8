"""Reader ``capture``: what levelrig itself recorded of a title's presented frames (Linux)."""

from __future__ import annotations

from collections.abc import Sequence

from harness.capture import READER, way_of
from harness.clock import Clock
from harness.errors import FrameLogError
from harness.hookspecs import Finding, Kind, Need, hookimpl
from harness.plan.schema import Plan
from harness.rig import FrameLog, FrameLogSource


@hookimpl
def kinds() -> Sequence[Kind]:
    return [Kind("reader", READER, "levelrig's own record of the frames that a title presents")]


@hookimpl
def read_frame_log(source: FrameLogSource) -> FrameLog | None:
    if source.spec.reader != READER:
        return None
    from harness.capture.reading import read_capture

    way = way_of(source.spec.path)
    if way is None:
        raise FrameLogError(
            f"{source.spec.path} is no log of the capture; set frames = 'capture' in the title"
        )
    return read_capture(source.path, way)


@hookimpl
def levelrig_needs(plan: Plan) -> Sequence[Need]:
    from harness_plugins.capture.needs import needs

    return list(needs(plan))


@hookimpl
def examine(clock: Clock) -> Sequence[Finding]:
    from harness_plugins.capture.doctor import findings

    return findings()
