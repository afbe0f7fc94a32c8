"""A small client of the X Window System, for watching windows of others: no library, local displays alone.

Source: X Window System Protocol, X11R7; extensions Damage 1.1, Present 1.0 and X-Resource 1.2, as published
by the X.Org Foundation. Layouts of requests, replies and events are theirs.
"""

from __future__ import annotations

import re
import socket
import struct
import sys
import time
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

_DISPLAY: Final = re.compile(r"(?:unix)?:(\d+)(?:\.\d+)?\Z")
_COOKIE: Final = b"MIT-MAGIC-COOKIE-1"
_ANSWER_S: Final = 5.0
_GENERIC: Final = 35
_VIEWABLE: Final = 2


class NoDisplay(Exception):
    """The display can't be reached, or lacks an extension; the text says why."""


@dataclass(frozen=True)
class Window:
    """A window that can be seen."""

    window: int
    width: int
    height: int


class XClient:
    """A connection to the display that the environment names.

    Args:
        environment: ``DISPLAY``, and ``XAUTHORITY`` where the cookie does not lie in the home folder.

    Raises:
        NoDisplay: It can't be reached.
    """

    def __init__(self, environment: Mapping[str, str]) -> None:
        name = environment.get("DISPLAY", "")
        found = _DISPLAY.match(name)
        if not found:
            raise NoDisplay(
                f"DISPLAY is {name!r}, no local display of X" if name else "there is no DISPLAY of X"
            )
        number = found[1]
        self._socket = _connected(number)
        self._socket.settimeout(_ANSWER_S)
        self._data = b""
        self._sequence = 0
        self._events: deque[bytes] = deque()
        self._next_id = 0
        self._opcodes: dict[str, tuple[int, int]] = {}
        try:
            self._set_up(_cookie(number, environment))
        except OSError as error:
            self._socket.close()
            raise NoDisplay(f"display {name} does not answer ({error})") from error

    def _set_up(self, cookie: bytes) -> None:
        kind = _COOKIE if cookie else b""
        hello = struct.pack("<BxHHHHxx", ord("l"), 11, 0, len(kind), len(cookie))
        self._socket.sendall(hello + _padded(kind) + _padded(cookie))
        status, length = struct.unpack("<B5xH", self._take(8))
        body = self._take(4 * length)
        if status != 1:
            raise NoDisplay(f"the display refuses us: {body.decode('latin-1').strip(chr(0))[:200]}")
        self._base, self._mask = struct.unpack_from("<II", body, 4)
        vendor_length, formats = struct.unpack_from("<H3xB", body, 16)[0], body[21]
        (self.root,) = struct.unpack_from("<I", body, 32 + len(_padded(bytes(vendor_length))) + 8 * formats)

    def _take(self, count: int) -> bytes:
        while len(self._data) < count:
            part = self._socket.recv(1 << 16)
            if not part:
                raise NoDisplay("the display has gone")
            self._data += part
        taken, self._data = self._data[:count], self._data[count:]
        return taken

    def _message(self) -> bytes:
        head = self._take(32)
        if head[0] & 0x7F in (1, _GENERIC):
            head += self._take(4 * struct.unpack_from("<I", head, 4)[0])
        return head

    def send(self, opcode: int, minor: int, body: bytes = b"") -> int:
        """Send a request; its number."""
        body = _padded(body)
        self._socket.sendall(struct.pack("<BBH", opcode, minor, 1 + len(body) // 4) + body)
        self._sequence = (self._sequence + 1) & 0xFFFF
        return self._sequence

    def ask(self, opcode: int, minor: int, body: bytes = b"") -> bytes | None:
        """Send a request and wait for its reply; None where the display refuses it. Raises NoDisplay."""
        number = self.send(opcode, minor, body)
        until_s = time.monotonic() + _ANSWER_S
        try:
            while time.monotonic() < until_s:
                message = self._message()
                if message[0] > 1:
                    self._events.append(message)
                elif struct.unpack_from("<H", message, 2)[0] == number:
                    return message if message[0] == 1 else None
        except OSError as error:
            raise NoDisplay(f"the display does not answer ({error})") from error
        raise NoDisplay("the display does not answer")

    def events(self, wait_s: float) -> list[tuple[float, bytes]]:
        """What came meanwhile, each with when it was seen, s on the monotonic clock; waits for the first.

        Raises:
            NoDisplay: The display has gone.
        """
        found = [(time.monotonic(), message) for message in self._events]
        self._events.clear()
        self._socket.settimeout(wait_s)
        try:
            if not found and not self._has_message():
                self._data += self._received()
            seen_s = time.monotonic()
            while self._has_message():
                message = self._message()
                if message[0] > 1:
                    found.append((seen_s, message))
        except TimeoutError:
            pass
        except OSError as error:
            raise NoDisplay(f"the display has gone ({error})") from error
        finally:
            self._socket.settimeout(_ANSWER_S)
        return found

    def _received(self) -> bytes:
        part = self._socket.recv(1 << 16)
        if not part:
            raise NoDisplay("the display has gone")
        return part

    def _has_message(self) -> bool:
        if len(self._data) < 32:
            return False
        more = 0
        if self._data[0] & 0x7F in (1, _GENERIC):
            more = 4 * int(struct.unpack_from("<I", self._data, 4)[0])
        return len(self._data) >= 32 + more

    def new_id(self) -> int:
        """An id for something that we make."""
        self._next_id += 1
        return int(self._base | self._next_id)

    def extension(self, name: str) -> tuple[int, int] | None:
        """Opcode and first event of an extension; None where the display lacks it."""
        if name not in self._opcodes:
            raw = name.encode()
            reply = self.ask(98, 0, struct.pack("<Hxx", len(raw)) + raw)
            present, opcode, first = (0, 0, 0) if reply is None else struct.unpack_from("<BBB", reply, 8)
            self._opcodes[name] = (opcode, first) if present else (0, 0)
        opcode, first = self._opcodes[name]
        return (opcode, first) if opcode else None

    def atom(self, name: str) -> int:
        """The number of a name; 0 where there is none."""
        raw = name.encode()
        reply = self.ask(16, 1, struct.pack("<Hxx", len(raw)) + raw)
        return 0 if reply is None else int(struct.unpack_from("<I", reply, 8)[0])

    def children(self, window: int) -> list[int]:
        """Its children, from the lowest up."""
        reply = self.ask(15, 0, struct.pack("<I", window))
        if reply is None:
            return []
        count = struct.unpack_from("<H", reply, 16)[0]
        return list(struct.unpack_from(f"<{count}I", reply, 32))

    def shown(self, window: int) -> Window | None:
        """Its size; None where it can't be seen."""
        state = self.ask(3, 0, struct.pack("<I", window))
        if state is None or state[26] != _VIEWABLE or struct.unpack_from("<H", state, 12)[0] != 1:
            return None
        size = self.ask(14, 0, struct.pack("<I", window))
        return None if size is None else Window(window, *struct.unpack_from("<HH", size, 16))

    def owner(self, window: int) -> int:
        """Process of the client that made the window, as the display knows it; 0 where it does not."""
        resources = self.extension("X-Resource")
        if resources is None:
            return 0
        reply = self.ask(resources[0], 4, struct.pack("<III", 1, window, 2))
        if reply is None or struct.unpack_from("<I", reply, 8)[0] < 1 or len(reply) < 48:
            return 0
        return int(struct.unpack_from("<I", reply, 44)[0])

    def stated_process(self, window: int, atom: int) -> int:
        """The process that the window's own property names; 0 for none."""
        reply = self.ask(20, 0, struct.pack("<IIIII", window, atom, 6, 0, 1)) if atom else None
        if reply is None or reply[1] != 32 or len(reply) < 36:
            return 0
        return int(struct.unpack_from("<I", reply, 32)[0])

    @property
    def id_mask(self) -> int:
        """Bits of an id that its client chooses."""
        return int(self._mask)

    def close(self) -> None:
        """Close the connection; what was asked for ends with it."""
        self._socket.close()


def _connected(number: str) -> socket.socket:
    if sys.platform == "win32":
        raise NoDisplay("windows are watched through X, on Linux alone")
    path = f"/tmp/.X11-unix/X{number}"
    why: OSError | None = None
    for address in (path, f"\0{path}"):
        one = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            one.settimeout(_ANSWER_S)
            one.connect(address)
            return one
        except OSError as error:
            one.close()
            why = error
    raise NoDisplay(f"display :{number} can't be reached ({why})")


def _cookie(number: str, environment: Mapping[str, str]) -> bytes:
    """The cookie that lets us in; empty where there is none."""
    path = Path(environment.get("XAUTHORITY") or Path.home() / ".Xauthority")
    try:
        data = path.read_bytes()
    except OSError:
        return b""
    at = 0
    while at + 2 <= len(data):
        at += 2
        fields = []
        for _ in range(4):
            if at + 2 > len(data):
                return b""
            (length,) = struct.unpack_from(">H", data, at)
            fields.append(data[at + 2 : at + 2 + length])
            at += 2 + length
        if fields[1] in (number.encode(), b"") and fields[2] == _COOKIE:
            return fields[3]
    return b""


def _padded(data: bytes) -> bytes:
    return data + bytes(-len(data) % 4)
