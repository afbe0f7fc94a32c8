"""An observer that also tells the user: at the end, on a stop, when a profile turns out unstable."""

from __future__ import annotations

import os
import queue
import threading
import time
from collections.abc import Callable
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final, Self

from harness.clock import clock_time
from harness.engine.progress import Observer, Progress
from harness.errors import HarnessError
from harness.numerals import out_of
from harness.plan.night_tables import Notify
from harness.store.campaign import CampaignStore
from harness.supervise.notify import Message, Notifier, read_addresses

#: Exit codes after which the campaign has not come to its end.
_STOPPED: Final = {3: "stopped: conditions", 5: "stopped for safety", 130: "interrupted"}
_MISSING: Final = 4
_LAST_WORDS_S: Final = 60.0


def open_notifier(notify: Notify) -> Notifier | None:
    """The notifier that the plan's ``[notify]`` asks for; None if it asks for none. Raises NotifyError."""
    file = Path(notify.addresses_file) if notify.addresses_file else None
    addresses = read_addresses(file, os.environ)
    if not addresses and not notify.command:
        return None
    return Notifier(addresses, notify.command, (*notify.on, "alive"))


class TellingObserver:
    """Passes everything on; messages leave on a thread of their own, so that nothing waits for a network.

    Args:
        name: The campaign's name, for the titles of messages.
        folder: The campaign folder.
        notifier: Delivers.
        inner: The observer that is told everything as well.
        alive_every_s: Say this often that the run is alive; None: never. It is said from the run's own
            progress, so that a run that hangs is silent.
        now_s: Monotonic seconds.
    """

    def __init__(
        self,
        name: str,
        folder: Path,
        notifier: Notifier,
        inner: Observer,
        *,
        alive_every_s: float | None = None,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._alive_every_s = alive_every_s
        self._now_s = now_s
        self._alive_due_s = now_s() + (alive_every_s or 0.0)
        self._name = name
        self._folder = folder
        self._notifier = notifier
        self._inner = inner
        self._known = self._set_aside()
        self._looked = False
        self._waiting: queue.Queue[Message | None] = queue.Queue()
        self._thread = threading.Thread(target=self._deliver, name="levelrig-notify", daemon=True)
        self._thread.start()

    def on_progress(self, progress: Progress) -> None:
        """Pass on. At the first one look for what the opening of the folder found out."""
        self._inner.on_progress(progress)
        if not self._looked:
            self._looked = True
            self._tell_unstable()
        if self._alive_every_s is not None and self._now_s() >= self._alive_due_s:
            self._alive_due_s = self._now_s() + self._alive_every_s
            if self._waiting.empty():  # else the way out is blocked, and old signs of life help nobody
                self._waiting.put(self._alive(progress))

    def on_attempt(
        self, cell_id: str, which: str, attempt_index: int, verdict: str, reason: str | None
    ) -> None:
        """Pass on; a failed attempt may have been the one too many."""
        self._inner.on_attempt(cell_id, which, attempt_index, verdict, reason)
        if verdict != "accepted":
            self._tell_unstable()

    def on_message(self, level: str, message: str) -> None:
        """Pass on."""
        self._inner.on_message(level, message)

    def _alive(self, progress: Progress) -> Message:
        ends = ""
        data: dict[str, Any] = {"accepted": progress.accepted, "wanted": progress.wanted, "ends_at": None}
        if progress.ends_in_s is not None:
            now = datetime.now().astimezone()
            end = now + timedelta(seconds=progress.ends_in_s)
            ends = f", ends about {clock_time(end, now)}"
            data["ends_at"] = end.isoformat(timespec="minutes")
        doing = progress.cell_id or progress.detail or str(progress.phase)
        return Message(
            "alive",
            f"{self._name}: still alive, {progress.accepted} of {progress.wanted}{ends}",
            f"Now: {doing}. The next sign of life comes in {(self._alive_every_s or 0) / 60:.0f} min; "
            f"if none comes, look at {self._folder}.",
            data,
        )

    def ended(self, exit_code: int, reason: str, accepted: int, wanted: int) -> None:
        """The campaign came to an end, or was stopped."""
        how = _STOPPED.get(exit_code)
        done = "ended, some repeats are missing" if exit_code == _MISSING else "done"
        data: dict[str, Any] = {"exit_code": exit_code, "accepted": accepted, "wanted": wanted}
        self._waiting.put(
            Message(
                "stop" if how else "end",
                f"{self._name}: {how or done}",
                f"{reason}. {out_of(accepted, wanted, 'repeat', 'is')} measured. Folder: {self._folder}",
                data,
            )
        )

    def failed(self, error: BaseException) -> None:
        """The campaign ended with an error."""
        self._waiting.put(Message("stop", f"{self._name}: stopped by an error", str(error) or repr(error)))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        if error is not None:
            self.failed(error)
        self.close()

    def close(self) -> None:
        """Wait for the last messages, but not for ever."""
        self._waiting.put(None)
        self._thread.join(_LAST_WORDS_S)

    def _deliver(self) -> None:
        while (message := self._waiting.get()) is not None:
            for failure in self._notifier.send(message):
                self._inner.on_message("warning", failure)

    def _tell_unstable(self) -> None:
        for reason in sorted(self._set_aside() - self._known):
            self._known.add(reason)
            self._waiting.put(Message("unstable-profile", f"{self._name}: a profile is unstable", reason))

    def _set_aside(self) -> set[str]:
        try:
            with closing(CampaignStore.read(self._folder)) as store:
                return {entry.reason for entry in store.standing().set_aside}
        except (HarnessError, OSError):
            return set()
