"""A metric that a plugin brings, before it is taken: each part is of the kind that its definition states."""

from __future__ import annotations

from dataclasses import fields
from typing import Any, get_type_hints

from pydantic import ConfigDict, TypeAdapter, ValidationError

from harness.boundary.crossing import printable
from harness.errors import PluginError
from harness.metrics import Metric
from harness.metrics import definition as home

_STRICT = ConfigDict(strict=True, arbitrary_types_allowed=True, allow_inf_nan=False)


def fit_metric(metric: object) -> Metric:
    """The metric as it was given.

    Raises:
        PluginError: It is none, or a part is not what :class:`harness.metrics.Metric` says.
    """
    if not isinstance(metric, Metric):
        raise PluginError(
            f"levelrig_metrics gave {printable(type(metric).__name__, 60)} where Metric belongs"
        )
    hints: dict[str, Any] = get_type_hints(type(metric), vars(home))
    for part in fields(metric):
        value = getattr(metric, part.name)
        try:
            TypeAdapter(hints[part.name], config=_STRICT).validate_python(value)
        except ValidationError as error:
            why = error.errors(include_url=False)[0]["msg"]
            raise PluginError(
                f"metric {metric.name}: {part.name} = {printable(repr(value), 80)}: {why}"
            ) from error
        if isinstance(value, str) and not value.isprintable():
            raise PluginError(f"metric {metric.name}: {part.name} holds characters that can't be printed")
    return metric
