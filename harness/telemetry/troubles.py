"""What is wrong with sensors and quantities, for as long as it goes on: kept, and told where it is new."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable

#: A trouble that is gone for longer than this is another one when it comes back.
_SAME_TROUBLE_S = 60.0
#: The same trouble is told again after this long at the earliest.
_TELL_AGAIN_S = 600.0
_MOST_PAST = 100


class _Trouble:
    """Something wrong with one quantity or sensor, as long as it goes on or comes back soon."""

    def __init__(self, code: str, sentence: str, first_s: float) -> None:
        self.code, self.sentence = code, sentence
        self.first_s = self.last_s = first_s


class Troubles:
    """All troubles of a sampler. Noted by its thread, read by others.

    Args:
        on_event: Called as ``on_event(code, sentence)`` for what is new.
    """

    def __init__(self, on_event: Callable[[str, str], None]) -> None:
        self._on_event = on_event
        self._now: dict[str, _Trouble] = {}
        self._past: list[_Trouble] = []
        self._told_s: dict[str, float] = {}
        self._lock = threading.Lock()

    def note(self, key: str, code: str, sentence: str, now_s: float) -> None:
        """Keep a trouble; tell it where it is new."""
        known = self._now.get(key)
        if known is not None and now_s - known.last_s <= _SAME_TROUBLE_S and known.code == code:
            known.last_s = now_s
            return
        with self._lock:
            if known is not None:
                self._past = [*self._past[1 - _MOST_PAST :], known]
            self._now[key] = _Trouble(code, sentence, now_s)
        if now_s - self._told_s.get(key + code, -math.inf) >= _TELL_AGAIN_S:
            self._told_s[key + code] = now_s
            self._on_event(code, sentence)

    def goes_on(self, key: str, now_s: float) -> None:
        """A trouble that is known lasts."""
        if (known := self._now.get(key)) is not None:
            known.last_s = now_s

    def since(self, since_s: float) -> list[str]:
        """What was wrong since that clock time: ``code: sentence``, once each."""
        with self._lock:
            found = [t for t in (*self._past, *self._now.values()) if t.last_s >= since_s]
        return [f"{trouble.code}: {trouble.sentence}" for trouble in found]
