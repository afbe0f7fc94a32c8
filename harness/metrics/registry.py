"""Every metric there is, in the order of the columns: levelrig's own, then those that plugins bring."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from functools import cached_property
from typing import Final

from harness.columns import Column
from harness.metrics.conditions import CONDITION_METRICS
from harness.metrics.definition import GROUPS, ComparedMetric, Metric, Place, Role
from harness.metrics.frame_rate import FRAME_METRICS, SPEED
from harness.metrics.power import POWER_METRICS

#: levelrig's own, with the columns that tell how a metric was come by where they stand between.
OWN: Final[tuple[Metric | Column, ...]] = (*FRAME_METRICS, *POWER_METRICS, *CONDITION_METRICS)


class Registry:
    """The metrics that are known. Plugins add theirs when they are loaded."""

    def __init__(self, own: Iterable[Metric | Column] = OWN) -> None:
        self._own = tuple(own)
        self._added: dict[str, Metric] = {}
        self._by: dict[str, str] = {}

    # --- what there is ------------------------------------------------------------------------------------

    def __iter__(self) -> Iterator[Metric]:
        """Every metric that is a column, in the order of the columns."""
        yield from self.own()
        yield from self._added.values()

    def own(self) -> tuple[Metric, ...]:
        """levelrig's own, in the order of the columns."""
        return tuple(entry for entry in self._own if isinstance(entry, Metric))

    def own_columns(self, *, at_end: bool) -> list[Column]:
        """Columns of levelrig's own metrics and of what tells how they were come by."""
        entries = [e for e in self._own if (isinstance(e, Metric) and e.at_end) == at_end]
        return [entry.column if isinstance(entry, Metric) else entry for entry in entries]

    def added(self) -> tuple[Metric, ...]:
        """The metrics that plugins brought; their columns are the last ones."""
        return tuple(self._added.values())

    def compared(self) -> tuple[ComparedMetric, ...]:
        """The metrics on which profiles are compared, in the order in which tables list them."""
        return tuple(self.compared_as.values())

    @cached_property
    def compared_as(self) -> Mapping[str, ComparedMetric]:
        """Name -> compared metric, in the same order."""
        found = [SPEED, *(metric for metric in self if isinstance(metric, ComparedMetric))]
        found.sort(key=lambda metric: (GROUPS.index(metric.group), metric.rank))
        return {metric.name: metric for metric in found}

    def shown_in(self, place: Place) -> tuple[ComparedMetric, ...]:
        """The compared metrics that are shown there, in their order."""
        return tuple(metric for metric in self.compared() if place in metric.shown)

    def standing_for(self, role: Role) -> tuple[ComparedMetric, ...]:
        """The compared metrics that can stand for it, the preferred one first."""
        found = [metric for metric in self.compared() if metric.role == role]
        return tuple(sorted(found, key=lambda metric: metric.role_rank))

    def paid(self) -> tuple[ComparedMetric, ...]:
        """The powers that can be paid for, the preferred one first."""
        return tuple(sorted((m for m in self.compared() if m.paid_for), key=lambda metric: metric.paid_rank))

    # --- what plugins bring -------------------------------------------------------------------------------

    def add(self, metrics: Iterable[Metric], by: str) -> None:
        """Take a plugin's metrics, all or none; those that it brought before are replaced.

        Args:
            metrics: What the plugin brings.
            by: Who brings them.

        Raises:
            ValueError: A name is taken.
        """
        brought = list(metrics)
        others = (name for name in self._added if self._by[name] != by)
        names = {SPEED.name, *(entry.name for entry in self._own), *others}
        for metric in brought:
            if metric.name in names:
                raise ValueError(f"there is a metric or column {metric.name!r} already")
            names.add(metric.name)
        for metric in brought:
            self._added[metric.name], self._by[metric.name] = metric, by
        self.__dict__.pop("compared_as", None)

    def withdraw(self, name: str) -> None:
        """Forget a plugin's metric (for tests)."""
        self._added.pop(name, None)
        self._by.pop(name, None)
        self.__dict__.pop("compared_as", None)


#: The metrics of this process.
METRICS: Final = Registry()
