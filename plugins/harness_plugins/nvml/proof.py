"""Proof that a clock ceiling, which has no getter, is off: the clock under a short load, before and after."""

from __future__ import annotations

import contextlib
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from harness_plugins.nvml.card import Card
from harness_plugins.nvml.codes import CallFailed
from harness_plugins.nvml.library import GRAPHICS_CLOCK, MEMORY_CLOCK

#: Clocks move in steps of about 15 MHz; a warm card boosts a few steps lower.
STEP_MHZ = 15
SAME_WITHIN_MHZ = 4 * STEP_MHZ
#: Reasons that explain a lower clock: power, slowdown, temperature, power brake.
SLOWED_BITS = 0x4 | 0x8 | 0x20 | 0x40 | 0x80
LOAD_S = 2.0
_START_S = 20.0
_LOOK_S = 0.05
#: Name in the state of a card -> clock, in words.
CLOCKS = {
    "core_clock_under_load_mhz": (GRAPHICS_CLOCK, "core clock"),
    "memory_clock_under_load_mhz": (MEMORY_CLOCK, "memory clock"),
}


class NoLoad(Exception):
    """No short load can be run on this card; the message says why."""


#: A context in which a card is under a short load of at least :data:`LOAD_S`. Raises NoLoad.
ShortLoad = Callable[[Card], contextlib.AbstractContextManager[None]]


class Clocks(NamedTuple):
    """Highest clocks seen under a short load, by name, MHz; and what held them down meanwhile."""

    mhz: Mapping[str, float]
    reasons: int


@contextlib.contextmanager
def short_load(card: Card) -> Iterator[None]:
    """See :data:`ShortLoad`; :mod:`harness_plugins.nvml.shortload` in a process of its own."""
    if not card.address:
        raise NoLoad("the driver does not tell the card's address")
    words = [sys.executable, "-m", "harness_plugins.nvml.shortload", card.address, str(LOAD_S + 1)]
    process = subprocess.Popen(
        words, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    )
    try:
        line = _first_line(process)
        if line != "ready":
            raise NoLoad(line or "its program did not start")
        yield
    finally:
        process.kill()
        process.communicate()


def _first_line(process: subprocess.Popen[str]) -> str:
    found: list[str] = []
    reader = threading.Thread(target=lambda: found.append(process.stdout.readline().strip()), daemon=True)  # type: ignore[union-attr]
    reader.start()
    reader.join(_START_S)
    return found[0] if found else ""


def clocks_under_load(card: Card, load: ShortLoad, sleep_s: Callable[[float], None] = time.sleep) -> Clocks:
    """Load the card shortly and look at its clocks. Raises NoLoad, CallFailed."""
    highest: dict[str, float] = {}
    reasons = 0
    with load(card):
        for _ in range(round(LOAD_S / _LOOK_S)):
            for name, (kind, _) in CLOCKS.items():
                seen = card.ask("clock_mhz", kind)
                if seen is not None:
                    highest[name] = max(seen, highest.get(name, 0))
            sleep_s(_LOOK_S)
        with contextlib.suppress(CallFailed):
            reasons = card.ask("limit_reasons") or 0
    return Clocks(highest, reasons)


def judged(before: Mapping[str, Any], seen: Clocks, ceilings: Sequence[float]) -> tuple[list[str], list[str]]:
    """What shows that a ceiling is still in force, and what can't be proven. Pure.

    Args:
        before: State of the card as it was found, with the clocks seen then.
        seen: The clocks now.
        ceilings: Ceilings that may have been set meanwhile, MHz.
    """
    failures, doubts = [], []
    for name, (_, words) in CLOCKS.items():
        was, now = before.get(name), seen.mhz.get(name)
        if not isinstance(was, int | float) or now is None or now >= was - SAME_WITHIN_MHZ:
            continue
        what = f"{words} reaches {now:.0f} MHz under a short load, {was:.0f} MHz before the first change"
        if seen.reasons & SLOWED_BITS:
            doubts.append(f"{what}; the card holds it down for power or temperature")
        elif any(abs(now - ceiling) <= STEP_MHZ for ceiling in ceilings):
            failures.append(f"{what}: that is a ceiling of the plan, so it is still in force")
        else:
            doubts.append(what)
    return failures, doubts
