"""What was found on the machine that a plan is written on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from harness.errors import Problem
from harness.plan.kinds import Kinds
from harness.plan.schema import ProfileSpec
from harness.plan.tunings import Tuning


@dataclass(frozen=True)
class Screen:
    """A screen's usual mode: its pixels, and how often a second it is drawn; None where not told."""

    width_px: int
    height_px: int
    refresh_hz: float | None = None

    @property
    def words(self) -> str:
        """``2560 x 1440 at 144 Hz``."""
        size = f"{self.width_px} x {self.height_px}"
        return size if self.refresh_hz is None else f"{size} at {self.refresh_hz:.3g} Hz"


class MappingProposal(Protocol):
    """What a look at a sample of a frame log found; :class:`harness.frames.propose.Proposal`."""

    @property
    def mapping(self) -> dict[str, Any]: ...
    @property
    def doubts(self) -> tuple[str, ...]: ...
    @property
    def result(self) -> dict[str, Any]: ...


@dataclass(frozen=True)
class Machine:
    """The machine, as far as it bears on a plan, and the ways to ask more of it.

    Attributes:
        kinds: What plugins bring.
        tunings: How the card of the plan can be tuned, with ranges; empty without such a card.
        quantities: Quantity -> the sensor that reads it here.
        screen: The first screen; None where none can be read.
        windows: Command lines and paths are written as there.
        draws_on_card: Built-in scenes can be drawn on a card here.
        here: The folder that levelrig was started in, as a plan names it.
        is_file: Whether a path, seen from there, leads to a file.
        is_program: Whether these words, seen from that folder, name a program here.
        propose: Looks at a frame log. Raises HarnessError.
        refused: What a control says of a profile for the card that is here. Raises HarnessError.
    """

    kinds: Kinds
    tunings: tuple[Tuning, ...]
    quantities: dict[str, str]
    screen: Screen | None
    windows: bool
    draws_on_card: bool
    here: str
    is_file: Callable[[str], bool]
    is_program: Callable[[str, str | None], bool]
    propose: Callable[[Path], MappingProposal]
    refused: Callable[[ProfileSpec], list[Problem]]

    @property
    def controls(self) -> list[str]:
        """Controls that a profile may name, those of the cards here first."""
        here = [tuning.control for tuning in self.tunings]
        rest = [
            name for role, name in self.kinds if role == "control" and name not in ("factory", "simulated")
        ]
        return list(dict.fromkeys([*here, *sorted(rest)]))

    def folder_for(self, command: Sequence[str]) -> str:
        """The folder that a title with this command should run in; empty for the attempt's own.

        Where an argument names a file from here (``python tour.py``), it is here.
        """
        beside = (
            word for word in command[1:] if not word.startswith(("-", "/", "~", "{")) and word[1:2] != ":"
        )
        return self.here if any(self.is_file(word) for word in beside) else ""
