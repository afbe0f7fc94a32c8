"""Windows' event log: what was written since a time, and what is written from now on.

Source: learn.microsoft.com, "EvtQuery function", "EvtSubscribe function" (pull model: a signal event and no
callback), "EvtNext function", "EvtRender function"; the form of an event is the "Event schema". The log
``System`` may be read by every interactive user.
"""

from __future__ import annotations

import ctypes
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final
from xml.etree import ElementTree

from harness.windows.calls import INSUFFICIENT_BUFFER, WindowsCalls

NAMESPACE: Final = "http://schemas.microsoft.com/win/2004/08/events/event"
_SYSTEM_LOG: Final = "System"
_QUERY_CHANNEL: Final = 0x1
_NEWEST_FIRST: Final = 0x200
_FUTURE_EVENTS: Final = 1
_RENDER_XML: Final = 1
_AT_ONCE: Final = 16


@dataclass(frozen=True)
class LogEvent:
    """One event.

    Attributes:
        provider: Who wrote it, by name.
        number: Its ``EventID``.
        utc: When.
        record: Its number in the log.
        data: Its values, in order.
    """

    provider: str
    number: int
    utc: datetime
    record: int = 0
    data: tuple[str, ...] = ()


def parsed(text: str) -> LogEvent | None:
    """An event by its XML; None where it has not the documented form."""
    with suppress(ElementTree.ParseError, ValueError, TypeError, AttributeError):
        root = ElementTree.fromstring(text)
        space = {"e": NAMESPACE}
        provider = root.find("e:System/e:Provider", space)
        stamp = root.find("e:System/e:TimeCreated", space)
        if provider is None or stamp is None:
            return None
        values = root.findall("e:EventData/e:Data", space) or root.findall("e:UserData//*", space)
        utc = datetime.fromisoformat(stamp.attrib["SystemTime"])
        return LogEvent(
            provider.attrib["Name"],
            int(root.findtext("e:System/e:EventID", "", space)),
            utc if utc.tzinfo else utc.replace(tzinfo=UTC),
            int(root.findtext("e:System/e:EventRecordID", "0", space)),
            tuple((value.text or "").strip() for value in values),
        )
    return None


def which(kinds: dict[str, tuple[int, ...]], since_utc: datetime | None = None) -> str:
    """The XPath that selects events: provider -> numbers, all of that provider where there are none."""
    either = []
    for provider, numbers in kinds.items():
        of = f"Provider[@Name='{provider}']"
        if numbers:
            of += " and (" + " or ".join(f"EventID={number}" for number in numbers) + ")"
        either.append(f"({of})")
    path = f"System[{' or '.join(either)}]"
    if since_utc is not None:
        stamp = since_utc.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.000Z")
        path += f" and System[TimeCreated[@SystemTime>='{stamp}']]"
    return f"*[{path}]"


def read_events(
    calls: WindowsCalls, xpath: str, *, newest_first: bool = False, at_most: int = 500
) -> list[LogEvent]:
    """Events of the system's log, oldest first unless said otherwise.

    Raises:
        OSError: The log can't be read.
    """
    flags = _QUERY_CHANNEL | (_NEWEST_FIRST if newest_first else 0)
    results = calls("EvtQuery", None, _SYSTEM_LOG, xpath, flags)
    if not results:
        raise OSError(f"the system's event log can't be read (error {calls.last_error()})")
    found: list[LogEvent] = []
    try:
        for event in _taken(calls, results):
            found.append(event)
            if len(found) >= at_most:
                break
    finally:
        calls("EvtClose", results)
    return found


class Subscription:
    """Events that are written from now on; asking costs nothing while there is none.

    Raises:
        OSError: The log can't be listened to.
    """

    def __init__(self, calls: WindowsCalls, xpath: str) -> None:
        self._calls = calls
        self._signal = calls("CreateEventW", None, 1, 0, None)
        self._handle = calls(
            "EvtSubscribe", None, self._signal, _SYSTEM_LOG, xpath, None, None, None, _FUTURE_EVENTS
        )
        if not self._handle:
            error = calls.last_error()
            self.close()
            raise OSError(f"the system's event log can't be listened to (error {error})")

    def take(self) -> list[LogEvent]:
        """What was written since the last call; never waits."""
        return list(_taken(self._calls, self._handle))

    def close(self) -> None:
        """Give it back. Safe to call twice."""
        if self._handle:
            self._calls("EvtClose", self._handle)
        if self._signal:
            self._calls("CloseHandle", self._signal)
        self._handle = self._signal = None


def _taken(calls: WindowsCalls, results: Any) -> Iterator[LogEvent]:
    while True:
        handles = (ctypes.c_void_p * _AT_ONCE)()
        count = ctypes.c_uint32()
        if not calls("EvtNext", results, _AT_ONCE, ctypes.addressof(handles), 0, 0, ctypes.addressof(count)):
            return  # ERROR_NO_MORE_ITEMS, or ERROR_TIMEOUT: nothing is there now
        texts = []
        for handle in handles[: count.value]:
            texts.append(_rendered(calls, handle))
            calls("EvtClose", handle)
        for text in texts:
            event = parsed(text)
            if event is not None:
                yield event


def _rendered(calls: WindowsCalls, event: Any) -> str:
    size, used, properties = 4096, ctypes.c_uint32(), ctypes.c_uint32()
    for _ in range(2):
        buffer = ctypes.create_string_buffer(size)
        if calls(
            "EvtRender", None, event, _RENDER_XML, size, ctypes.addressof(buffer), ctypes.addressof(used),
            ctypes.addressof(properties),
        ):  # fmt: skip
            return buffer.raw[: used.value].decode("utf-16-le", "replace").rstrip("\0")
        if calls.last_error() != INSUFFICIENT_BUFFER:
            return ""
        size = used.value
    return ""
