"""The live page's listening socket: a port that another server has is refused, on every system."""

from __future__ import annotations

import socket
import sys
from typing import Any


def listen(host: str, port: int, make: Any = socket.socket) -> socket.socket:
    """A socket that listens on a port which is nobody else's; port 0 lets the system choose.

    Windows lets two servers have one port where either says ``SO_REUSEADDR``, and gives each visitor to one
    of them; ``SO_EXCLUSIVEADDRUSE`` keeps it to one ("Using SO_REUSEADDR and SO_EXCLUSIVEADDRUSE",
    learn.microsoft.com, from memory). On Linux the first means only that a port which was just given back can
    be had again (socket(7)).

    Raises:
        OSError: It can't be had.
    """
    family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
    made: socket.socket = make(family, socket.SOCK_STREAM)
    try:
        if sys.platform == "win32":
            made.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
        else:
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((host, port))
        made.listen(128)
    except OSError:
        made.close()
        raise
    return made
