"""Who a process is, so exactly that a number which is given out again is no other.

Imports no large library: the watch process lives on it.
"""

from __future__ import annotations

import contextlib
import functools
import os
import sys
from pathlib import Path
from typing import NamedTuple

import psutil

from harness.proctable import look_at


class Owner(NamedTuple):
    """A program of ours, as a mark or a record names it; every part as text."""

    pid: str
    born: str
    boot: str
    namespace: str
    user: str

    @property
    def here(self) -> bool:
        """Whether it is one of this boot, process namespace and user: no other's life can be judged."""
        return self[2:] == _place()

    @property
    def lives(self) -> bool:
        """Whether the very process still runs; a zombie does not."""
        try:
            seen = look_at(int(self.pid))
        except ValueError:
            return False
        return seen is not None and f"{seen.born:.2f}" == self.born


def ourselves() -> Owner:
    """This program as an owner."""
    seen = look_at(os.getpid())
    return Owner(str(os.getpid()), f"{0.0 if seen is None else seen.born:.2f}", *_place())


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


@functools.cache
def _place() -> tuple[str, str, str]:
    """Boot, process namespace and user of this program, as an identity writes them down."""
    if sys.platform == "win32":
        from harness.boots import boot_identity

        return boot_identity(), "", psutil.Process().username().replace("/", "-")
    boot = namespace = ""
    if sys.platform == "linux":
        with contextlib.suppress(OSError):
            boot = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
        with contextlib.suppress(OSError):
            namespace = str(Path("/proc/self/ns/pid").readlink())
    return boot, namespace, str(os.getuid())
