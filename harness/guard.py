"""Puts changed hardware back, whatever ends the program.

Four ways lead to the same restore: the end of the campaign, an exception or signal (the engine's own path), a
watch in a process of its own (this program was killed, or has hung), and the next start after a crash of the
machine. What they need to know stands in one small file of the machine, written before the first change:
which controls may have changed something, and the state to go back to.

``python -m harness.guard FILE`` is the watch: it lives on a pipe from the program that it watches.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from harness.clock import SystemClock
from harness.errors import ControlRefused, HarnessError, StoreError
from harness.plugins import PluginHost
from harness.rig import Control

#: Without a sign of life for this long the program counts as hung. Longer than anything that it waits for.
SILENT_S = 300.0
FILE_NAME = "restore.json"

OpenControl = Callable[[str], Control]


class SnapshotStore(Protocol):
    """Where the way back is kept; see :class:`harness.engine.profiles.SnapshotStore`."""

    def save_snapshot(self, control_kind: str, snapshot: Mapping[str, Any]) -> None: ...

    def open_snapshots(self) -> Mapping[str, Mapping[str, Any]]: ...

    def clear_snapshot(self, control_kind: str) -> None: ...


def state_folder() -> Path:
    """Where this machine's record lies: one for all campaigns, and for root or an elevated user."""
    if sys.platform == "win32":
        return Path(os.environ.get("PROGRAMDATA", r"C:\ProgramData")) / "levelrig"
    if os.geteuid() == 0:
        return Path("/var/lib/levelrig")
    return Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state") / "levelrig"


class RestoreRecord:
    """The machine's record of what is to be put back: control kind -> state to go back to.

    Every change is on the disk when the call returns. A kind that stands there already keeps its state: what
    is read after a crash is the profile's, not the factory's.

    Args:
        path: The file; by default the machine's own.
    """

    def __init__(self, path: Path | None = None) -> None:
        self.path = path or state_folder() / FILE_NAME

    def save_snapshot(self, control_kind: str, snapshot: Mapping[str, Any]) -> None:
        """Note that this control may change something from now on. Raises StoreError."""
        known = self.open_snapshots()
        if control_kind not in known:
            self._write({**known, control_kind: dict(snapshot)})

    def open_snapshots(self) -> dict[str, dict[str, Any]]:
        """What is to be put back. A damaged file means: everything to its factory state is up to the user.

        Raises:
            StoreError: The file is there but can't be read.
        """
        try:
            text = self.path.read_text(encoding="utf-8")
        except (FileNotFoundError, NotADirectoryError):
            return {}
        except OSError as error:
            raise StoreError(
                f"{self.path}: can't be read ({error}); run levelrig as the same user"
            ) from error
        try:
            found = json.loads(text)
            return {str(kind): dict(state) for kind, state in found.items()}
        except (ValueError, TypeError, AttributeError) as error:
            raise StoreError(
                f"{self.path}: is damaged ({error}); run `levelrig restore`, which then puts every card "
                "back to its factory state, or restart the machine and delete the file"
            ) from error

    def clear_snapshot(self, control_kind: str) -> None:
        """The control is restored. Raises StoreError."""
        known = self.open_snapshots()
        if known.pop(control_kind, None) is not None:
            self._write(known)

    def discard(self) -> None:
        """Forget everything, a damaged file too."""
        self.path.unlink(missing_ok=True)

    def _write(self, content: Mapping[str, Any]) -> None:
        temporary = self.path.with_suffix(".new")
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with temporary.open("w", encoding="utf-8") as file:
                json.dump(content, file)
                file.flush()
                os.fsync(file.fileno())
            temporary.replace(self.path)
            if sys.platform != "win32":
                folder = os.open(self.path.parent, os.O_RDONLY)
                try:
                    os.fsync(folder)
                finally:
                    os.close(folder)
        except OSError as error:
            raise StoreError(
                f"{self.path}: can't be written ({error}); without it a crash could leave the card changed, "
                "so nothing was changed; make room or grant access"
            ) from error


class Guard:
    """A campaign's snapshot store that also keeps the machine's record and a watch.

    Only controls that write to hardware are guarded; the rest passes through.

    Args:
        campaign: The campaign's own store.
        changes_hardware: Whether a control kind writes to hardware.
        record: The machine's record.
        start_watch: Starts the watch; once, before the first change.
    """

    def __init__(
        self,
        campaign: SnapshotStore,
        changes_hardware: Callable[[str], bool],
        record: RestoreRecord | None = None,
        start_watch: Callable[[Path], Watch] | None = None,
    ) -> None:
        self._campaign = campaign
        self._changes_hardware = changes_hardware
        self._record = record or RestoreRecord()
        self._start_watch = start_watch or Watch
        self._watch: Watch | None = None

    def save_snapshot(self, control_kind: str, snapshot: Mapping[str, Any]) -> None:
        if self._changes_hardware(control_kind):
            self._record.save_snapshot(control_kind, snapshot)
            if self._watch is None:
                self._watch = self._start_watch(self._record.path)
        self._campaign.save_snapshot(control_kind, snapshot)

    def open_snapshots(self) -> dict[str, Mapping[str, Any]]:
        """What this campaign, or any other on this machine that crashed, left to be put back."""
        return {**self._record.open_snapshots(), **self._campaign.open_snapshots()}

    def clear_snapshot(self, control_kind: str) -> None:
        self._campaign.clear_snapshot(control_kind)
        self._record.clear_snapshot(control_kind)

    def beat(self) -> None:
        """A sign of life of the main thread; without one for :data:`SILENT_S` the watch restores."""
        if self._watch is not None:
            self._watch.beat()

    def close(self) -> None:
        """End the watch; it restores what is still open."""
        if self._watch is not None:
            self._watch.close()
            self._watch = None


class Watch:
    """The watch process, as seen from the program that it watches."""

    def __init__(self, record: Path, silent_s: float = SILENT_S) -> None:
        options: dict[str, Any] = {"start_new_session": True}  # Ctrl-C in the terminal is not meant for it
        if sys.platform == "win32":
            options = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
        self._process = subprocess.Popen(
            [sys.executable, "-m", "harness.guard", str(record), str(silent_s)],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            **options,
        )

    def beat(self) -> None:
        """Write a sign of life; a watch that is gone is no reason to end the night."""
        with contextlib.suppress(OSError, ValueError):
            assert self._process.stdin is not None
            self._process.stdin.write(b".")
            self._process.stdin.flush()

    def close(self, wait_s: float = 30.0) -> None:
        """Let go of the pipe and wait for the watch to end."""
        with contextlib.suppress(OSError):
            assert self._process.stdin is not None
            self._process.stdin.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(wait_s)


@dataclass(frozen=True)
class Restored:
    """One control that was asked to restore; ``failure`` is empty where it did."""

    kind: str
    failure: str = ""


def restore_recorded(record: RestoreRecord, open_control: OpenControl) -> list[Restored]:
    """Restore what the record holds. Tries every control; what fails stays in the record."""
    return [_restore(record, open_control, kind, state) for kind, state in record.open_snapshots().items()]


def restore_machine(
    host: PluginHost, record: RestoreRecord | None = None, open_control: OpenControl | None = None
) -> list[Restored]:
    """What ``levelrig restore`` does: every control that writes to hardware puts its devices back.

    A control that the record knows goes back to the state that it holds, every other one to the factory
    state. A damaged record is set aside, so that all go to the factory state.

    Raises:
        ControlRefused: At least one failed; the message names each.
    """
    record = record or RestoreRecord()
    open_control = open_control or _opener(host)
    try:
        known = record.open_snapshots()
    except StoreError:
        record.discard()
        known = {}
    kinds = dict.fromkeys([*known, *(n for n in host.names("control") if _writes(host, n))])
    done = [_restore(record, open_control, kind, known.get(kind, {})) for kind in kinds]
    failures = [f"{item.kind}: {item.failure}" for item in done if item.failure]
    if failures:
        raise ControlRefused(
            f"not restored: {'; '.join(failures)}; grant what is missing and run `levelrig restore` again, "
            "or restart the machine"
        )
    return done


def _restore(
    record: RestoreRecord, open_control: OpenControl, kind: str, state: Mapping[str, Any]
) -> Restored:
    try:
        open_control(kind).restore(state)
        record.clear_snapshot(kind)
    except HarnessError as error:
        return Restored(kind, str(error))
    return Restored(kind)


def _writes(host: PluginHost, kind: str) -> bool:
    return host.kind("control", kind).changes_hardware


def _opener(host: PluginHost) -> OpenControl:
    clock = SystemClock()

    def open_control(kind: str) -> Control:
        host.kind("control", kind)
        control: Control | None = host.manager.hook.open_control(kind=kind, clock=clock)
        if control is None:
            raise ControlRefused(f"control {kind} does not open; reinstall its plugin")
        return control

    return open_control


def watch_over(record: RestoreRecord, wait: Callable[[], str], open_control: OpenControl) -> list[Restored]:
    """Wait until the program ended or has hung, then restore. The watch's whole life.

    Args:
        record: The machine's record.
        wait: Returns ``alive`` after a sign of life, ``silent`` when none came in time, ``gone`` at the end.
        open_control: Opens a control by kind.
    """
    while wait() == "alive":
        pass
    return restore_recorded(record, open_control)


def main(arguments: list[str] | None = None) -> int:
    """The watch process. Ends with 0 when nothing is left to be restored."""
    path, silent_s = (arguments or sys.argv[1:])[:2]
    ended = threading.Event()
    beats = threading.Semaphore(0)

    def end(*_: object) -> None:
        ended.set()
        beats.release()

    for name in ("SIGINT", "SIGHUP", "SIGBREAK"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    signal.signal(signal.SIGTERM, end)

    def listen() -> None:
        while os.read(0, 4096):
            beats.release()
        end()

    threading.Thread(target=listen, daemon=True).start()

    def wait() -> str:
        heard = beats.acquire(timeout=float(silent_s))
        return "gone" if ended.is_set() else "alive" if heard else "silent"

    failed = [
        item for item in watch_over(RestoreRecord(Path(path)), wait, _opener(PluginHost())) if item.failure
    ]
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
