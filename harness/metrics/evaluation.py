"""The values of metrics that plugins bring: a formula that raises or gives no number costs its own value."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import partial

from harness.metrics.definition import Metric
from harness.metrics.inputs import Frames, Repeat, Telemetry, Value


@dataclass
class Evaluated:
    """Values of metrics.

    Attributes:
        values: Column -> value; None where there is nothing to work it out from.
        faults: Name of the metric -> what its formula raised, or what it gave that is no number.
    """

    values: dict[str, Value] = field(default_factory=dict)
    faults: dict[str, BaseException] = field(default_factory=dict)


def at_once(formula: Callable[[], Value]) -> Value:
    """A call as it is."""
    return formula()


def evaluate(
    metrics: Iterable[Metric],
    *,
    frames: Frames | None = None,
    telemetry: Telemetry | None = None,
    repeat: Repeat | None = None,
    call: Callable[[Callable[[], Value]], Value] = at_once,
) -> Evaluated:
    """Work metrics out, each by itself.

    Args:
        metrics: Those with a formula count.
        frames: The run's frames; None for a title without.
        telemetry: Readings inside the window; None where nothing was recorded.
        repeat: All of the repeat; None where that is not known, as of frames from elsewhere.
        call: Makes the call of a formula, as one that does not wait for ever.
    """
    found = Evaluated()
    for metric in metrics:
        try:
            if metric.of_frames is not None:
                value = None if frames is None else call(partial(metric.of_frames, frames))
            elif metric.of_telemetry is not None:
                value = None if telemetry is None else call(partial(metric.of_telemetry, telemetry))
            elif metric.of_repeat is not None:
                value = None if repeat is None else call(partial(metric.of_repeat, repeat))
            else:
                continue
            found.values[metric.name] = _fit(value, metric)
        except KeyboardInterrupt:
            raise
        except BaseException as error:  # a formula may also end by SystemExit
            found.values[metric.name] = None
            found.faults[metric.name] = error
    return found


def _fit(value: object, metric: Metric) -> Value:
    """A formula's value as its column takes it. Raises ValueError."""
    if value is None:
        return None
    if hasattr(value, "item"):  # a scalar of NumPy
        value = value.item()
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"its formula gave {value!r:.80}, which is no finite number")
    if metric.kind == "integer":
        if value != int(value):
            raise ValueError(f"its formula gave {value!r}, which is no whole number")
        return int(value)
    return float(value)
