"""Critical errors that the driver reports of a card, as events: the first sign that a setting is unstable.

Source: NVML API reference, "Event Handling Methods": an event set keeps what happened until it is asked for.
The driver offers these events on Linux; elsewhere the quantities are absent.
"""

from __future__ import annotations

from ctypes import byref, c_uint, c_ulonglong
from typing import Any

import pynvml

from harness.log import get_logger
from harness_plugins.nvml.card import Card
from harness_plugins.nvml.codes import NOT_SUPPORTED, TIMEOUT, CallFailed

log = get_logger("levelrig.nvml")

CRITICAL_ERROR = 0x8


class DriverErrors:
    """Counts a card's critical errors from now on.

    Attributes:
        count: So many since this object was made.
        latest_code: The driver's own number of the latest one (its "Xid"); None while there was none.

    Raises:
        CallFailed: The card or its driver offers no such events.
    """

    def __init__(self, card: Card) -> None:
        self._card = card
        self.count = 0
        self.latest_code: int | None = None
        self._events: Any = None
        self.listen()

    def listen(self) -> None:
        """Begin to listen; again after the card was opened again, which ends it. Raises CallFailed."""
        library, handle = self._card.library, self._card.handle
        offered = c_ulonglong()
        library.call("nvmlDeviceGetSupportedEventTypes", handle, byref(offered))
        if not offered.value & CRITICAL_ERROR:
            raise CallFailed("nvmlDeviceGetSupportedEventTypes", NOT_SUPPORTED)
        events = pynvml.c_nvmlEventSet_t()
        library.call("nvmlEventSetCreate", byref(events))
        library.call("nvmlDeviceRegisterEvents", handle, c_ulonglong(CRITICAL_ERROR), events)
        self._events = events

    def take(self) -> int:
        """Take what was reported since the last call, without waiting; gives the count. Raises CallFailed."""
        function = "nvmlEventSetWait_v2"
        while True:
            event = pynvml.c_nvmlEventData_t()
            code = self._card.library.code(function, self._events, byref(event), c_uint(0))
            if code == TIMEOUT:
                return self.count
            if code:
                raise CallFailed(function, code)
            self.count += 1
            self.latest_code = int(event.eventData)
            log.warning("driver reports a critical error", code=self.latest_code, count=self.count)
