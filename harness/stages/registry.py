"""Every stage there is, in the order in which an attempt passes them: levelrig's own, then those that plugins
bring."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any, Final

from harness.stages.cooldown import COOLDOWN
from harness.stages.soak import SOAK
from harness.stages.stage import Place, Stage
from harness.stages.warm_up import WARM_UP

AnyStage = Stage[Any]

#: levelrig's own. Within a place an attempt passes them in this order.
OWN: Final[tuple[AnyStage, ...]] = (COOLDOWN, WARM_UP, SOAK)


class Registry:
    """The stages that are known. Plugins add theirs when they are loaded."""

    def __init__(self, own: Iterable[AnyStage] = OWN) -> None:
        self.own = tuple(own)
        self._added: dict[str, AnyStage] = {}
        self._followers: list[Callable[[], None]] = []

    # --- what there is ------------------------------------------------------------------------------------

    def __iter__(self) -> Iterator[AnyStage]:
        """Every stage, in the order in which an attempt passes them."""
        yield from self.at("before-launch")
        yield from self.at("in-title")

    def get(self, key: str) -> AnyStage | None:
        """The stage with that key; None where there is none."""
        return next((stage for stage in self if stage.key == key), None)

    def at(self, place: Place) -> list[AnyStage]:
        """The stages of one place, in order."""
        found = [stage for stage in self.own if stage.place == place]
        for stage in self._added.values():
            if stage.place == place:
                keys = [other.key for other in found]
                found.insert(keys.index(stage.before) if stage.before in keys else len(found), stage)
        return found

    def added(self) -> tuple[AnyStage, ...]:
        """The stages that plugins brought; their columns are the last ones."""
        return tuple(self._added.values())

    # --- what plugins bring -------------------------------------------------------------------------------

    def add(self, stage: AnyStage) -> None:
        """Take a plugin's stage; the same one twice is one. Raises ValueError where its key is taken."""
        known = self.get(stage.key)
        if known is stage:
            return
        if known is not None:
            raise ValueError(f"there is a stage {stage.key!r} already")
        self._added[stage.key] = stage
        self._tell()

    def withdraw(self, key: str) -> None:
        """Forget a plugin's stage (for tests)."""
        if self._added.pop(key, None) is not None:
            self._tell()

    def follow(self, follower: Callable[[], None]) -> None:
        """Call ``follower`` now and after every change."""
        self._followers.append(follower)
        follower()

    def _tell(self) -> None:
        for follower in self._followers:
            follower()


#: The stages of this process.
STAGES: Final = Registry()
