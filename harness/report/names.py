"""Names of a plan's titles, settings and profiles as a reader calls them."""

from __future__ import annotations

from harness.report.folder import Campaign


class Names:
    """Names of a plan as a reader calls them."""

    def __init__(self, campaign: Campaign) -> None:
        plan = campaign.plan
        self._labels = {p.name: p.label for p in plan.profiles if p.label}
        self._labels |= {t.name: t.label for t in plan.titles if t.label}
        self._settings = {
            (title.name, setting.name): setting.label or setting.name
            for title in plan.titles
            for setting in title.settings
        }
        self._alone = {title.name for title in plan.titles if len(title.settings) == 1}

    @property
    def texts(self) -> set[str]:
        """All of them."""
        return {*self._labels, *self._labels.values(), *self._settings.values()}

    def __getitem__(self, name: str) -> str:
        return self._labels.get(name, name)

    def add_to(self, other: Names) -> None:
        """Hand the settings of this plan to the names of several campaigns."""
        other._settings = {**getattr(other, "_settings", {}), **self._settings}
        other._alone = {*getattr(other, "_alone", ()), *self._alone}

    def row(self, title: str, setting: str) -> str:
        """Title, with its setting where it has several."""
        label = self[title]
        return label if title in self._alone else f"{label}, {self._settings.get((title, setting), setting)}"
