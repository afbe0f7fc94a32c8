"""Control ``factory``: changes nothing, and makes sure that nothing is changed, as far as can be seen."""

from __future__ import annotations

import functools
from collections.abc import Sequence

from harness.card import GraphicsCard
from harness.clock import Clock
from harness.hookspecs import Kind, hookimpl
from harness.rig import Control


@hookimpl
def kinds() -> Sequence[Kind]:
    return [Kind("control", "factory", "leaves all as the maker set it, and checks that it is so")]


@hookimpl
def open_control(kind: str, clock: Clock, card: GraphicsCard | None) -> Control | None:
    if kind != "factory":
        return None
    from harness_plugins.factory.control import FactoryControl, look_at_everything

    return FactoryControl(functools.partial(look_at_everything, card))
