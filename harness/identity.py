"""Who a process is, as one word, so that a number that is given out again is no other."""

from __future__ import annotations

from harness.marks import Owner, ourselves


def own_identity() -> str:
    """This process: ``<process id>/<birth>/<boot>/<process namespace>/<user>``; see :func:`lives`."""
    return "/".join(ourselves())


def lives(identity: str) -> bool:
    """Whether the process of that identity still runs; a zombie does not.

    One of another user or container, whose life can't be judged from here, counts as living.
    """
    parts = identity.split("/")
    if len(parts) != len(Owner._fields):
        return False
    owner = Owner(*parts)
    return owner.lives if owner.here else owner.boot == ourselves().boot
