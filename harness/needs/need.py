"""One thing that a night needs. A leaf module: plugins make these."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from harness.plan.locate import Path

#: ``met``: it was asked for and is there. ``doubtful``: the night may go wrong by it. ``missing``: it would.
NeedState = Literal["met", "doubtful", "missing"]


@dataclass(frozen=True)
class Need:
    """One thing that a night needs, and whether it is there.

    Attributes:
        path: Place in the plan that asks for it, as ``("titles", 0, "command")``; empty: the whole night.
        state: What was found.
        what: What is wrong, or what was asked and answered.
        remedy: What to do; empty where it is met.
        of_plan: It lies in the plan's text alone, whatever machine is asked.
    """

    path: Path
    state: NeedState
    what: str
    remedy: str = ""
    of_plan: bool = False
