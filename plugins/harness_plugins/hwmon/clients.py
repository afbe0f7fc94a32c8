"""Load and memory of a card that its driver tells for each program alone: the sum over all programs.

Source: ``Documentation/gpu/drm-usage-stats.rst`` (6.12): each open file of a card has a text in
``/proc/<pid>/fdinfo/<number>`` with the address of the card, a number of the client, busy time of each kind
of engine (``drm-engine-render``, ns, i915) or busy and total cycles (``drm-cycles-rcs``,
``drm-total-cycles-rcs``, xe), and memory by region. One client's file may be open in several programs, and a
counter may fall back for a moment: the larger value stands until then. The names of engines and regions:
``i915/i915_drm_client.c`` lines 110-116, ``xe/xe_hw_engine.c`` line 1131, ``xe/xe_bo.c`` lines 32-38;
``local0`` of i915 from ``intel_memory_region.c`` line 262. In 6.1, i915 tells nothing for cards whose
firmware schedules (``i915_drm_client.c``, "Temporarily skip"), which is why the driver is asked first.
"""

from __future__ import annotations

import contextlib
import os
import re
import sys
import time
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from harness_plugins.hwmon.graphics import Graphics

PROC = Path("/proc")
#: Seconds between looks, and between looks at all files of all programs: each is a walk over them.
_LOOK_S: Final = 1.0
_ALL_S: Final = 5.0
#: Kinds of engine that draw or compute.
_DRAWING = {"render", "compute", "rcs", "ccs"}
_OWN_MEMORY = re.compile(r"(vram|local)\d+")
_UNITS = {"": 2.0**-20, "KiB": 2.0**-10, "MiB": 1.0}
_NODE = "/dev/dri/"


@dataclass(frozen=True)
class Client:
    """What one open file tells of its program's use of a card.

    Attributes:
        card: PCI address.
        number: The client's; the same in all programs that share the file.
        busy: Kind of engine -> busy time in ns, or cycles.
        total: Kind of engine -> cycles that passed; empty where ``busy`` is time.
        engines: Kind of engine -> how many of it the card has.
        memory_mib: The card's own memory that it holds; None where the driver does not tell.
    """

    card: str
    number: str
    busy: dict[str, int]
    total: dict[str, int]
    engines: dict[str, int]
    memory_mib: float | None


def client_of(text: str) -> Client | None:
    """The text of one file; None for a file that is no card's."""
    found = dict(line.split(":", 1) for line in text.splitlines() if ":" in line)
    card, number = found.get("drm-pdev", "").strip(), found.get("drm-client-id", "").strip()
    if not card or not number:
        return None
    numbers: dict[str, dict[str, int]] = {
        "engine-capacity-": {},
        "engine-": {},
        "total-cycles-": {},
        "cycles-": {},
    }
    memory: list[float] = []
    for key, value in found.items():
        name, words = key.removeprefix("drm-"), value.split()
        if name == key or not words or not words[0].isdigit():
            continue
        kind = next((kind for kind in numbers if name.startswith(kind)), None)
        if kind is not None:
            numbers[kind][name.removeprefix(kind)] = int(words[0])
        elif name.startswith("resident-") and _OWN_MEMORY.fullmatch(name.removeprefix("resident-")):
            memory.append(int(words[0]) * _UNITS.get("".join(words[1:2]), 0.0))
    busy = numbers["engine-"] | numbers["cycles-"]
    total, engines = numbers["total-cycles-"], numbers["engine-capacity-"]
    return Client(card, number, busy, total, engines, sum(memory) if memory else None)


def load_pct(before: dict[str, Client], now: dict[str, Client], elapsed_s: float) -> float:
    """Share of the time in which the busiest kind of drawing or computing engine was at work, in %.

    Args:
        before: Clients at the earlier look, by number.
        now: Clients at this look; one that was not there before counts from the next look on.
        elapsed_s: Time between the looks.
    """
    shares: defaultdict[str, float] = defaultdict(float)
    for number, client in now.items():
        old = before.get(number)
        if old is None:
            continue
        for kind, busy in client.busy.items():
            passed = client.total[kind] - old.total.get(kind, 0) if kind in client.total else elapsed_s * 1e9
            if kind in _DRAWING and kind in old.busy and passed > 0:
                shares[kind] += max(0, busy - old.busy[kind]) / passed / max(1, client.engines.get(kind, 1))
    return 100.0 * min(1.0, max(shares.values(), default=0.0))


@dataclass
class Clients:
    """All programs that have the card open, looked at once a second.

    Programs of other users are seen only with the right to (root, as a rule).
    """

    card: str
    proc: Path = field(default_factory=lambda: PROC)
    now_s: Callable[[], float] = time.monotonic
    _known: dict[str, list[str]] = field(default_factory=dict)
    _all_at_s: float = float("-inf")
    _at_s: float = float("-inf")
    _clients: dict[str, Client] | None = None
    load_pct: float | None = None
    memory_mib: float | None = None

    def look(self) -> None:
        """Bring load and memory up to date, at most once a second."""
        now_s = self.now_s()
        if now_s - self._at_s < _LOOK_S:
            return
        found = self._found(now_s)
        before = self._clients
        if before is not None:
            self.load_pct = load_pct(before, found, now_s - self._at_s)
            found = {number: _not_below(client, before.get(number)) for number, client in found.items()}
        self.memory_mib = sum(client.memory_mib or 0.0 for client in found.values())
        self._clients, self._at_s = found, now_s

    def _found(self, now_s: float) -> dict[str, Client]:
        if now_s - self._all_at_s >= _ALL_S:
            self._known, self._all_at_s = {}, now_s
        with contextlib.suppress(OSError):
            there = [name for name in os.listdir(self.proc) if name.isdigit()]  # noqa: PTH208
            known, self._known = self._known, {}
            self._known = {pid: known[pid] if pid in known else self._opened(pid) for pid in there}
        found: dict[str, Client] = {}
        for pid, numbers in self._known.items():
            for number in numbers:
                with contextlib.suppress(OSError):
                    text = (self.proc / pid / "fdinfo" / number).read_text("ascii", "replace")
                    client = client_of(text)
                    if client is not None and client.card == self.card:
                        found[client.number] = client
        return found

    def _opened(self, pid: str) -> list[str]:
        """Numbers of the program's open files that are a card's."""
        numbers = []
        with contextlib.suppress(OSError):
            folder = self.proc / pid / "fd"
            for number in os.listdir(folder):  # noqa: PTH208
                with contextlib.suppress(OSError):
                    if os.readlink(folder / number).startswith(_NODE):  # noqa: PTH115
                        numbers.append(number)
        return numbers


def _not_below(client: Client, old: Client | None) -> Client:
    if old is None:
        return client
    busy = {kind: max(value, old.busy.get(kind, 0)) for kind, value in client.busy.items()}
    return Client(client.card, client.number, busy, client.total, client.engines, client.memory_mib)


@dataclass(frozen=True)
class ClientsReader:
    """One quantity of :class:`Clients`."""

    quantity: str
    path: Path
    value: Callable[[], float | None]
    note: str = ""
    period_s: float = _LOOK_S
    source: str = "fdinfo of all programs"

    def read(self) -> float | None:
        """None before the second look."""
        return self.value()


def clients_readers(card: Graphics, proc: Path | None = None) -> list[ClientsReader]:
    """What can be summed for this card; nothing where its driver, asked by a file of our own, tells none."""
    own = asked(card)
    if own is None or own.card != card.address:
        return []
    clients = Clients(card.address, proc or PROC)

    def load() -> float | None:
        clients.look()
        return clients.load_pct

    def memory() -> float | None:
        clients.look()
        return clients.memory_mib

    note = "" if sys.platform == "win32" or os.geteuid() == 0 else "sum over the programs of this user"
    found = []
    if _DRAWING & set(own.busy):
        found.append(ClientsReader("gpu_load_pct", card.device, load, note))
    if own.memory_mib is not None and not card.integrated:
        found.append(ClientsReader("gpu_memory_used_mib", card.device, memory, note))
    return found


def ask_driver(card: Graphics) -> Client | None:
    """Open the card for a moment and read what its driver tells of us; None where it can't be opened."""
    nodes = sorted((card.device / "drm").glob("renderD*"))
    if not nodes:
        return None
    try:
        number = os.open(f"{_NODE}{nodes[0].name}", os.O_RDONLY | getattr(os, "O_CLOEXEC", 0))
    except OSError:
        return None
    try:
        return client_of((PROC / "self" / "fdinfo" / str(number)).read_text("ascii", "replace"))
    except OSError:
        return None
    finally:
        os.close(number)


#: How the driver is asked; tests put a driver's answer here.
asked: Callable[[Graphics], Client | None] = ask_driver
