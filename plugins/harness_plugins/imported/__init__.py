"""Sensor ``import``: a telemetry CSV that something else writes meanwhile, by column mapping."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import ClassVar

from pydantic import Field

from harness.clock import Clock
from harness.hookspecs import Kind, hookimpl
from harness.plan.schema import SensorSpec
from harness.programs import plan_path
from harness.rig import Sensor
from harness_plugins.stream.mapping import Readings


class ImportOptions(Readings):
    """Plan keys of the sensor ``import``."""

    BEARS: ClassVar[str] = "quantities time delay_s decimal delimiter columns"
    APART: ClassVar[str] = "path period_s stale_after_s"

    path: str = Field(
        min_length=1, description="the CSV, or a pattern whose newest match is followed while it grows"
    )
    delimiter: str = Field(",", min_length=1, max_length=1, description="sign between the fields")
    columns: list[str] | None = Field(
        None, description="names of the columns; default: the first line names them"
    )


@hookimpl
def kinds() -> Sequence[Kind]:
    return [Kind("sensor", "import", "a telemetry CSV that another program writes meanwhile", ImportOptions)]


@hookimpl
def open_sensors(clock: Clock, specs: Sequence[SensorSpec]) -> Sequence[Sensor]:
    own = [spec for spec in specs if spec.kind == "import"]
    return [
        open_import(ImportOptions.model_validate(spec.options), number, clock, spec.base)
        for number, spec in enumerate(own, 1)
    ]


def open_import(options: ImportOptions, number: int, clock: Clock, base: Path | None = None) -> Sensor:
    """Follow the file; it may appear later."""
    from harness_plugins.stream.mapping import CsvReader
    from harness_plugins.stream.sensor import LineSensor
    from harness_plugins.stream.sources import FileSource

    path = str(plan_path(str(Path(options.path).parent), base) / Path(options.path).name)
    source = FileSource(path, clock, look_every_s=options.period_s / 2)
    reader = CsvReader(options.delimiter, options.columns)
    return LineSensor(f"import:{number}", source, reader, options, clock)
