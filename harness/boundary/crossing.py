"""One call across a seam: whatever it raises or returns becomes a good value or the seam's own error."""

from __future__ import annotations

import traceback
from collections.abc import Callable
from typing import Any, Final, TypeVar

from harness.errors import MachineDown, SeamError
from harness.log import get_logger

#: Longest sentence that is kept of a foreign message, characters.
MOST_CHARACTERS: Final = 600
_MOST_TRACEBACK: Final = 20_000
#: What no boundary holds back: the user's own stop, and the end of the whole machine.
PASSING: Final = (KeyboardInterrupt, MachineDown)

T = TypeVar("T")

log = get_logger("levelrig.boundary")


class Unfit(Exception):
    """A foreign value that breaks its contract; the message says what it should be and what it is."""


def printable(text: object, most: int = MOST_CHARACTERS) -> str:
    """A foreign text as every file, table and screen takes it: bounded, no stray surrogates or controls."""
    try:
        whole = str(text)[: most + 1]
        plain = whole.encode("utf-8", "backslashreplace").decode()
    except PASSING:
        raise
    except BaseException:
        return f"({type(text).__name__} that can't be printed)"
    plain = "".join(c if c.isprintable() or c in "\n\t" else f"\\x{ord(c):02x}" for c in plain)
    return plain if len(whole) <= most else f"{plain[:most]}…"


def told(error: BaseException) -> str:
    """An error's kind and message, whatever its message is made of: ``KeyError: 'frames'``."""
    name, text = type(error).__name__, printable(error)
    if isinstance(error, SeamError):
        return text
    return f"{name}: {text}" if text else name


def note_fault(what: str, error: BaseException) -> None:
    """Put a fault with its traceback in the log. Never raises, so that it can be called anywhere."""
    try:
        lines = "".join(traceback.format_exception(error))
    except PASSING:
        raise
    except BaseException:
        lines = "(a traceback that can't be printed)"
    log.error("fault", what=what, error=told(error), traceback=printable(lines, _MOST_TRACEBACK))


def cross(what: str, raises: type[SeamError], call: Callable[[], Any], fit: Callable[[Any], T]) -> T:
    """Make a call across a seam.

    Args:
        what: Who does what, for messages: ``the workload of salt-road``.
        raises: The seam's own error; one that comes from beyond passes as it is.
        call: The call.
        fit: Checks the value, and gives it in the form that the contract states; raises Unfit.

    Raises:
        SeamError: Of the kind ``raises``.
    """
    try:
        return fit(call())
    except PASSING:
        raise
    except raises:
        raise
    except Unfit as error:
        raise raises(f"{what} broke its contract: {error}; report this to the plugin's author") from error
    except BaseException as error:
        permanent = getattr(error, "permanent", False) is True
        raise raises(
            f"{what} failed: {told(error)}; log.jsonl has the traceback", permanent=permanent
        ) from error


def quietly(what: str, call: Callable[[], Any], fit: Callable[[Any], T], otherwise: T) -> T:
    """The same where a failure costs nothing but the answer: it is logged, and ``otherwise`` is given."""
    try:
        return fit(call())
    except PASSING:
        raise
    except BaseException as error:
        note_fault(what, error)
        return otherwise
