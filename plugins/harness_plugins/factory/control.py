"""The state that the maker set, as a profile."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from harness.card import GraphicsCard
from harness.errors import NotInForce, Problem
from harness.guard import left_changed
from harness.plan.schema import ProfileSpec
from harness.plugins import PluginHost
from harness.rig import Launch

#: Looks at one device and says what differs from its factory state; see the hook ``factory_deviations``.
Look = Callable[[], Sequence[str]]


def look_at_everything(card: GraphicsCard | None = None) -> Sequence[str]:
    """What runs have changed, by the record, and what every plugin says that can read a device's tuning.

    Args:
        card: Look at this card alone; None: at every one.
    """
    answers = _host().ask_all("factory_deviations", lambda answer: isinstance(answer, str), card=card)
    return [*left_changed(), *(sentence for _, sentence in answers)]


@functools.cache
def _host() -> PluginHost:
    return PluginHost()


class FactoryControl:
    """Control ``factory``. See :class:`harness.rig.Control`.

    It never writes. A card that some other program has tuned would be measured under a false name, so it
    refuses one that can be seen to differ.
    """

    kind = "factory"
    changes_hardware = False

    def __init__(self, look: Look = look_at_everything) -> None:
        self._look = look

    def check(self, profile: ProfileSpec) -> list[Problem]:
        return [
            Problem(
                f"profiles.{profile.name}",
                sentence,
                "put it back with the program that changed it, or run `levelrig restore`",
            )
            for sentence in self._look()
        ]

    def snapshot(self) -> dict[str, Any]:
        return {}

    def apply(self, profile: ProfileSpec) -> None:
        return

    def read_back(self, profile: ProfileSpec) -> dict[str, Any]:
        if found := self._look():
            raise NotInForce(
                f"profile {profile.name}: this is not the factory state: {'; '.join(found)}; put it back "
                "with the program that changed it, or run `levelrig restore`",
                (),
            )
        return {"changed": []}

    def adapt_launch(self, profile: ProfileSpec, launch: Launch) -> Launch:
        return launch

    def verify_under_load(
        self, profile: ProfileSpec, readings: Mapping[str, Sequence[float]], process_id: int | None
    ) -> list[str]:
        return list(self._look())

    def restore(self, snapshot: Mapping[str, Any]) -> None:
        return
