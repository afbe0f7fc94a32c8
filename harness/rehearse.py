"""A rehearsal: the plan run on a simulated rig, and what that says about the real night."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol, TypeVar, runtime_checkable

from harness.rig import Rig

T = TypeVar("T")


class RigLost(BaseException):
    """The whole simulated machine went down, as in a power cut or a hard hang.

    Not an ``Exception``: nothing that runs on the machine can catch it. Only simulated rigs raise it, and
    only :func:`through_losses` catches it.
    """


@runtime_checkable
class RestartableRig(Rig, Protocol):
    """A simulated rig that comes back after a loss, with a new boot id and its clock started anew."""

    def restart(self) -> None: ...


def through_losses(rig: Rig, run_or_resume: Callable[[Rig], T]) -> tuple[T, int]:
    """Call ``run_or_resume`` until it gets through; after each loss of the rig, start the rig again.

    Returns:
        What the last call returned, and how often the rig was lost.
    """
    losses = 0
    while True:
        try:
            return run_or_resume(rig), losses
        except RigLost:
            if not isinstance(rig, RestartableRig):
                raise
            losses += 1
            rig.restart()
