"""What plugins add to the words of a plan: kinds of sensor, control, workload and reader, with their keys."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

from pydantic import BaseModel


@dataclass(frozen=True)
class Kind:
    """A kind of sensor, control, workload or frame-log reader that a plugin brings.

    Attributes:
        role: What it is.
        name: The word that a plan uses for it (``workload = "command"``).
        summary: One line for ``levelrig doctor``.
        options: Model of the plan keys that belong to it (frozen, ``extra="forbid"``, units in names);
            None where it takes none. Every field has a ``description``.
        setting_options: Names of options that a title's setting may override; workloads only. None: all.
        changes_hardware: The control writes to the card; a plan must then allow hardware changes.
        knows_makers_state: Its restore of an empty snapshot brings the maker's state.
        card_keys: Its options that name the card, by what ``[rig]`` takes or by the driver's index.
    """

    role: Literal["sensor", "control", "workload", "reader"]
    name: str
    summary: str
    options: type[BaseModel] | None = None
    setting_options: frozenset[str] | None = None
    changes_hardware: bool = False
    knows_makers_state: bool = True
    card_keys: tuple[str, ...] = ()


#: (role, name) -> kind.
Kinds = Mapping[tuple[str, str], Kind]


class KindSource(Protocol):
    """Whoever knows the installed kinds: :class:`harness.plugins.PluginHost`."""

    @property
    def kinds(self) -> Kinds: ...

    @property
    def broken(self) -> Sequence[object]:
        """Plugins that are installed and broken; as text, a sentence each."""
