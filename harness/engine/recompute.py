"""A plan that defines a metric otherwise: figures of all repeats, old and new, by the one definition.

Such a change measures nothing again. The lows by every definition stand in an attempt's row already; stutter
and slow time are worked out from its kept frames. Where those can't be read, the figure becomes empty and is
marked, so that two definitions are never mixed; once the file is put back, the next run fills it in.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from harness.attempt_row import AttemptRow
from harness.errors import StoreError
from harness.frames.defined import SMOOTHNESS_KEYS, Definitions, default_of, defined_metrics
from harness.frames.metrics import low_columns
from harness.log import get_logger
from harness.metrics import METRICS
from harness.numerals import agreed, counted
from harness.plan.earlier_keys import with_present_keys
from harness.store.campaign import CampaignStore
from harness.store.records import attempt_id_of

log = get_logger("levelrig.recompute")

#: Mark of an attempt whose kept frames could not be read when a definition changed.
NOT_RECOMPUTED: Final = "not-recomputed"
#: Column that tells of a definition -> metrics that go by it and are worked out from kept frames.
_FROM_FRAMES: Final = {
    column: tuple(metric.name for metric in METRICS.own() if metric.defined_by == column)
    for column in SMOOTHNESS_KEYS
}


def recompute_metrics(store: CampaignStore, by: Definitions) -> list[str]:
    """Bring every ended attempt's figures under the plan's definitions; durable on return.

    Cheap where nothing changed. Old figures stay in the journal as events of kind ``revised``.

    Args:
        store: The campaign, open for writing.
        by: The definitions of the plan in force.
    Returns:
        What was done, for a person; empty where nothing was.
    """
    usual = _one_definition_so_far(store.plan_texts(), by)
    done: list[str] = []
    lost: list[str] = []
    for row in store.attempts():
        stale = _stale(row, by, unstated_is_present=usual)
        if not stale:
            continue
        attempt_id = attempt_id_of(row)
        changes, failure = _new_figures(store, attempt_id, row, by, stale)
        if all(row.get(name) == value for name, value in changes.items()):
            continue
        keys = sorted(SMOOTHNESS_KEYS.get(name, name) for name in stale)
        why = f"by the plan's {', '.join(keys)}" + (f"; {failure}" if failure else "")
        store.revise_attempt(attempt_id, changes, why=why)
        (lost if failure else done).append(attempt_id)
    if done or lost:
        log.info("figures recomputed", attempts=len(done), without_frames=lost)
    told = [
        f"the plan defines metrics differently than before: the figures of {counted(len(done), 'attempt')} "
        f"{agreed('was', len(done))} worked out again from what was kept; nothing is measured again"
    ]
    return told * bool(done) + [
        f"{attempt_id}: its kept frames can't be read, so its figures by the new definition stay empty"
        for attempt_id in lost
    ]


def _stale(row: AttemptRow, by: Definitions, *, unstated_is_present: bool) -> set[str]:
    """Definitions by which this row's figures were computed otherwise; empty without frames."""
    if row["low_definition"] is None:
        return set()
    stale = {"one_percent_low"} if row["low_definition"] != by.one_percent_low else set()
    if row["stutter_multiple"] is None:  # measured before rows said so, or not recomputed yet
        return stale if unstated_is_present else stale | set(_FROM_FRAMES)
    return stale | {name for name in _FROM_FRAMES if row[name] != getattr(by, name)}


def _new_figures(
    store: CampaignStore, attempt_id: str, row: AttemptRow, by: Definitions, stale: set[str]
) -> tuple[dict[str, Any], str]:
    """Columns to change, and why some of them are empty now; the latter empty if none is."""
    changes: dict[str, Any] = {}
    if "one_percent_low" in stale:
        changes["low_definition"] = by.one_percent_low
        changes |= {low: row[source] for low, source in low_columns(by.one_percent_low).items()}
    wanted = stale & set(_FROM_FRAMES)
    if not wanted:
        return changes, ""
    marks = [mark for mark in row.marks if not mark.startswith(NOT_RECOMPUTED)]
    columns = [name for key in sorted(wanted) for name in (*_FROM_FRAMES[key], key)]
    try:
        frames = store.kept_table(attempt_id, "frames")
        frametime_ms = frames["frametime_ms"].to_numpy().astype(np.float64, copy=False)
        values: dict[str, Any] = {**defined_metrics(frametime_ms, by), **by.columns}
        failure = ""
    except (StoreError, KeyError, ValueError) as error:
        values, failure = {}, str(error)
        marks.append(f"{NOT_RECOMPUTED}: its kept frames can't be read")
        columns.append("stutter_multiple")  # empty: to be tried again
    changes |= {name: values.get(name) for name in columns}
    if marks != list(row.marks):
        changes["marks"] = marks
    return changes, failure


def _one_definition_so_far(texts: Sequence[str], by: Definitions) -> bool:
    """Every plan that was ever in force here defined the metrics from frames as this one does."""
    for text in texts:
        try:
            table = with_present_keys(tomllib.loads(text)).get("smoothness", {})
        except tomllib.TOMLDecodeError:
            return False
        for column, key in SMOOTHNESS_KEYS.items():
            if not isinstance(table, dict) or table.get(key, default_of(column)) != getattr(by, column):
                return False
    return True
