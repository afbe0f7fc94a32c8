"""Return codes of NVIDIA's management library (``nvmlReturn_t``) and what each means for this program."""

from __future__ import annotations

from harness.errors import HarnessError

INVALID_ARGUMENT, NOT_SUPPORTED, NO_PERMISSION, NOT_FOUND, TOO_SMALL = 2, 3, 4, 6, 7
TIMEOUT, LIBRARY_NOT_FOUND, FUNCTION_NOT_FOUND, NO_DATA, DEPRECATED, UNKNOWN = 10, 12, 13, 21, 26, 999
#: The device lacks it, or this driver is too old or too new for the call: don't ask again.
ABSENT = frozenset({NOT_SUPPORTED, FUNCTION_NOT_FOUND, 25, DEPRECATED})
#: No driver, or no library of it: this machine has no such card.
NO_CARD_HERE = frozenset({6, 9, 12, 28})
#: The driver or the card is gone: close, wait, reopen by the card's own identity.
LOST = frozenset({1, 9, 15, 16, 17, 18, 28, UNKNOWN})

MEANINGS: dict[int, str] = {
    1: "the library is not initialised",
    2: "invalid argument",
    3: "not supported by this card",
    4: "no permission",
    6: "not found",
    7: "the buffer is too small",
    9: "the driver is not loaded",
    10: "the driver did not answer in time",
    12: "the driver's library is not installed",
    13: "this driver does not know the call",
    15: "the card is lost to the system",
    16: "the card needs a reset",
    17: "the operating system refused access to the card",
    18: "driver and library are of different versions; reboot after a driver update",
    19: "in use",
    20: "out of memory",
    21: "no data",
    25: "the call's version does not match this driver",
    26: "this driver no longer knows the call",
    27: "not ready",
    28: "the card was not found",
    999: "unknown error inside the driver",
}


class CallFailed(HarnessError):
    """The driver answered a call with an error code.

    Attributes:
        function: C function that was called.
        code: ``nvmlReturn_t``.
    """

    def __init__(self, function: str, code: int) -> None:
        self.function, self.code = function, code
        super().__init__(f"{function}: {MEANINGS.get(code, 'error')} (code {code})")

    @property
    def absent(self) -> bool:
        """The device or driver lacks this; asking again is of no use."""
        return self.code in ABSENT

    @property
    def lost(self) -> bool:
        """The driver or the card is gone."""
        return self.code in LOST
