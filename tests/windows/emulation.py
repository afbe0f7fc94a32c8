"""Windows' calls as a test double, held to what learn.microsoft.com documents of each (from memory).

Every call is checked against the signature in :data:`harness.windows.calls.CALLS` before it is answered: the
number of arguments, and that each converts to the ctype that is stated for it without losing anything.
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from typing import Any

from harness.windows.calls import CALLS

_BITS = {
    ctypes.c_uint8: 8, ctypes.c_int32: 32, ctypes.c_uint32: 32, ctypes.c_void_p: 64, ctypes.c_size_t: 64,
}  # fmt: skip


def fits(kind: Any, value: Any) -> None:
    """Raises TypeError or OverflowError where a value does not convert to a parameter's type."""
    kind.from_param(value)
    if isinstance(value, int) and kind in _BITS:
        low, high = (-(2 ** (_BITS[kind] - 1)) if kind is ctypes.c_int32 else 0), 2 ** _BITS[kind]
        if not low <= value < high:
            raise OverflowError(f"{value} does not fit into {kind.__name__}")


class FakeWindows:
    """Answers calls by the functions given for them and records them all.

    Attributes:
        made: (name, arguments) of every call.
        error: What ``GetLastError`` gives.
    """

    def __init__(self, **answers: Callable[..., Any]) -> None:
        self.answers = answers
        self.made: list[tuple[str, tuple[Any, ...]]] = []
        self.error = 0

    def __call__(self, name: str, *arguments: Any) -> Any:
        call = CALLS[name]
        assert len(arguments) == len(call.arguments), f"{name} takes {len(call.arguments)} arguments"
        for kind, value in zip(call.arguments, arguments, strict=True):
            fits(kind, value)
        self.made.append((name, arguments))
        return self.answers[name](*arguments)

    def last_error(self) -> int:
        return self.error

    def named(self, name: str) -> list[tuple[Any, ...]]:
        """Arguments of the calls of that name."""
        return [arguments for made, arguments in self.made if made == name]


def poke(address: int, value: int, kind: Any = ctypes.c_uint32) -> None:
    """Write a number where a call was told to put its result."""
    kind.from_address(address).value = value


class EventLog:
    """The calls of the event log: answers queries with events as XML, and renders them.

    Args:
        texts: XML of the events, oldest first.
    """

    def __init__(self, *texts: str) -> None:
        self.texts = list(texts)
        self.queries: list[str] = []
        self.open_handles: set[int] = set()
        self._waiting: dict[int, list[str]] = {}
        self._rendered: dict[int, str] = {}
        self._next = 0x1000
        self.windows = FakeWindows(
            EvtQuery=self._query,
            EvtSubscribe=self._subscribe,
            EvtNext=self._take,
            EvtRender=self._render,
            EvtClose=self._close,
            CreateEventW=lambda *_: self._handle(),
            CloseHandle=self._close,
        )

    def write(self, text: str) -> None:
        """An event is written now; subscriptions hear of it."""
        self.texts.append(text)
        for waiting in self._waiting.values():
            waiting.append(text)

    def _handle(self) -> int:
        self._next += 8
        self.open_handles.add(self._next)
        return self._next

    def _query(self, session: None, log: str, xpath: str, flags: int) -> int:
        assert log == "System"
        assert flags & 1, "EvtQueryChannelPath"
        self.queries.append(xpath)
        handle = self._handle()
        self._waiting[handle] = self.texts[::-1] if flags & 0x200 else list(self.texts)
        return handle

    def _subscribe(
        self, session: None, signal: int, log: str, xpath: str, mark: None, own: None, heard: None, how: int
    ) -> int:  # fmt: skip
        assert (signal in self.open_handles) != bool(heard), "either a signal event or a callback"
        assert how == 1, "EvtSubscribeToFutureEvents"
        self.queries.append(xpath)
        handle = self._handle()
        self._waiting[handle] = []
        return handle

    def _take(self, results: int, size: int, into: int, timeout_ms: int, flags: int, count: int) -> int:
        waiting = self._waiting[results]
        taken, self._waiting[results] = waiting[:size], waiting[size:]
        for place, text in enumerate(taken):
            handle = self._handle()
            self._rendered[handle] = text
            poke(into + place * ctypes.sizeof(ctypes.c_void_p), handle, ctypes.c_uint64)
        poke(count, len(taken))
        self.windows.error = 0 if taken else 259
        return int(bool(taken))

    def _render(
        self, context: None, event: int, flags: int, size: int, buffer: int, used: int, properties: int
    ) -> int:
        raw = (self._rendered[event] + "\0").encode("utf-16-le")
        poke(used, len(raw))
        if len(raw) > size:
            self.windows.error = 122
            return 0
        ctypes.memmove(buffer, raw, len(raw))
        return 1

    def _close(self, handle: int) -> int:
        self.open_handles.remove(handle)
        return 1


def event_xml(provider: str, number: int, when: str, *data: str, record: int = 1) -> str:
    """An event in the form of the documented schema, as ``EvtRender`` gives it."""
    values = "".join(f"<Data Name='param{n}'>{text}</Data>" for n, text in enumerate(data, 1))
    return (
        "<Event xmlns='http://schemas.microsoft.com/win/2004/08/events/event'><System>"
        f"<Provider Name='{provider}' Guid='{{00000000-0000-0000-0000-000000000000}}'/>"
        f"<EventID Qualifiers='32768'>{number}</EventID><Version>0</Version><Level>4</Level>"
        f"<TimeCreated SystemTime='{when}'/><EventRecordID>{record}</EventRecordID>"
        f"<Channel>System</Channel><Computer>bench</Computer></System><EventData>{values}</EventData></Event>"
    )
