"""A plugin's formula may do anything: it costs its own value, and is told by a mark of the attempt.

Common practice (fault injection), no source.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterator
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from harness.boundary import patience
from harness.engine.plugin_metrics import plugin_metrics
from harness.frames.defined import Definitions
from harness.metrics import METRICS, ComparedMetric, Metric
from harness.plan.schema import PlanHead
from harness.report.sections.words import metric_definitions

HEAD = cast(PlanHead, SimpleNamespace(one_percent_low="percentile"))
BY = Definitions("percentile", stutter_multiple=2.0, slow_below_fps=None)


def leaves(repeat: Any) -> float:
    raise SystemExit(0)


def writes(repeat: Any) -> float:
    repeat.frametime_ms[:] = 1.0
    return 1.0


@pytest.fixture
def brought(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., None]]:
    """Adds metrics, and takes them away again."""
    names: list[str] = []

    def add(*metrics: Metric) -> None:
        METRICS.add(metrics, by="test")
        names.extend(metric.name for metric in metrics)

    yield add
    for name in names:
        METRICS.withdraw(name)


@pytest.mark.parametrize(
    ("formula", "why"),
    [
        (leaves, "SystemExit"),
        (writes, "read-only"),
        (lambda repeat: math.inf, "no finite number"),
        (lambda repeat: "12", "no finite number"),
        (lambda repeat: 10**400, "too large"),
        (lambda repeat: threading.Event().wait(), "return"),
    ],
)
def test_a_formula_costs_its_own_value_and_the_frames_stay_as_they_are(formula, why, brought, monkeypatch):
    monkeypatch.setattr(patience, "FORMULA_LIMIT_S", 1.0)
    brought(
        Metric(name="odd", unit="", meaning="x", of_repeat=formula),
        Metric(name="even", unit="", meaning="x", of_repeat=lambda repeat: float(repeat.frametime_ms.sum())),
    )
    frames_ms = np.full(100, 10.0)
    values, marks = plugin_metrics(frames_ms, None, 1.0, {}, BY)
    assert values == {"odd": None, "even": 1000.0}
    assert [mark.split(":")[:2] for mark in marks] == [["metric-failed", " odd"]]
    assert why in marks[0]
    assert frames_ms.flags.writeable
    assert (frames_ms == 10.0).all()


@pytest.mark.parametrize("definition", [lambda head: 1 / 0, lambda head: None])
def test_a_definition_that_fails_gives_way_to_the_meaning(definition, brought):
    parts = dict.fromkeys(("up", "down", "says_up", "says_down", "says_same"), "")
    brought(
        ComparedMetric(
            name="odd", unit="", meaning="what it is", label="oddness", scale="ratio", better="lower",
            definition=definition, **parts,
        )
    )  # fmt: skip
    told = metric_definitions(HEAD)
    assert any("what it is" in str(item) for item in told)
