"""``levelrig doctor --self-test``: the machinery of a night, tried in under three minutes on this machine.

Every item runs in a thread of its own with a time limit, so one that fails or hangs stops none of the others.
Nothing of the machine is changed: the card that is restored is a pretend one, a file.
"""

from __future__ import annotations

import os
import platform
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from collections.abc import Callable, Mapping, Sequence
from concurrent import futures
from concurrent.futures import Future
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Literal

import psutil

from harness import inside
from harness.card import candidates
from harness.clock import SystemClock
from harness.errors import CampaignBusy, HarnessError, SensorUnavailable
from harness.numerals import counted
from harness.plugins import PluginHost
from harness.processes import TitleProcess
from harness.rig import Priority, SeesPrograms, Sensor
from harness.selftest_parts import NotAvailable, Seen, parts
from harness.store.files import SafeFiles
from harness.store.lock import FolderLock

Verdict = Literal["pass", "fail", "not available"]
#: How long each sensor is read, s.
READ_S: Final = 10.0
_LIMIT_S: Final = 150.0
_SLEEPER: Final = "import time; time.sleep(120)"


@dataclass(frozen=True)
class Tried:
    """What one item showed.

    Attributes:
        item: What was tried, in words.
        verdict: ``pass``, ``fail`` or ``not available``.
        detail: What was seen.
        took_s: How long it took, s; at a time limit, the limit.
        figures: What was measured, by name.
    """

    item: str
    verdict: Verdict
    detail: str
    took_s: float
    figures: Mapping[str, Any] = field(default_factory=dict)


Item = tuple[str, Callable[[Path], "str | Seen"]]


def run_self_test(items: Sequence[Item], limit_s: float = _LIMIT_S) -> list[Tried]:
    """Try all items side by side, each in a folder of its own; outcomes come in the order of the items.

    Args:
        items: Name, and what to do in a folder: it returns a sentence, with figures or not, or raises.
        limit_s: What has not ended by then has failed, s. Its thread is left behind.
    """
    with tempfile.TemporaryDirectory(prefix="levelrig-self-test-", ignore_cleanup_errors=True) as whole:
        begun: list[tuple[str, Future[Tried]]] = []
        for number, (name, act) in enumerate(items):
            folder = Path(whole).resolve() / str(number)
            folder.mkdir()
            future: Future[Tried] = Future()
            threading.Thread(target=_try, args=(name, act, folder, future), daemon=True).start()
            begun.append((name, future))
        futures.wait([future for _, future in begun], timeout=limit_s)
        return [_outcome(name, future, limit_s) for name, future in begun]


def _outcome(name: str, future: Future[Tried], limit_s: float) -> Tried:
    try:
        return future.result(timeout=0)
    except futures.TimeoutError:
        return Tried(name, "fail", f"not over after {limit_s:.0f} s", limit_s)


def _try(name: str, act: Callable[[Path], str | Seen], folder: Path, future: Future[Tried]) -> None:
    began_s = time.monotonic()
    verdict: Verdict = "fail"
    figures: Mapping[str, Any] = {}
    try:
        said = act(folder)
        detail, figures = (said, {}) if isinstance(said, str) else said
        verdict = "pass"
    except NotAvailable as error:
        detail, verdict, figures = str(error), "not available", error.figures
    except Exception as error:  # whatever the machine does is a finding
        detail = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
    future.set_result(Tried(name, verdict, detail, time.monotonic() - began_s, figures))


def all_items(host: PluginHost) -> list[Item]:
    """The whole self-test: the machinery, what a first night hangs on, an item for each sensor that works."""
    items: list[Item] = [
        ("start and end a process tree", end_a_tree),
        ("lock a folder", lock_a_folder),
        ("sync and replace files", replace_files),
        ("keep a journal", keep_a_journal),
        ("compare clocks", compare_clocks),
        ("set priority", set_priority),
        ("set processors", set_affinity),
        ("put a pretend card back after a kill", restore_after_a_kill),
        ("open the live page", open_live_page),
    ]
    clock = SystemClock()
    cards = candidates(host.graphics_cards())
    sensors = host.open_sensors(clock, [], cards[0] if cards else None)
    # A sensor takes one reader at a time: those that see other programs have a second of their kind.
    seeing = [s for s in host.open_sensors(clock, [], cards[0] if cards else None) if _sees(s, sensors)]
    return [*items, *parts(seeing), *((f"read {sensor.name}", _reading(sensor)) for sensor in sensors)]


def _sees(sensor: Sensor, others: Sequence[Sensor]) -> bool:
    """Whether it is one that sees other programs; one that does not is given back at once."""
    if isinstance(sensor, SeesPrograms):
        return True
    if not any(sensor is other for other in others):
        sensor.close()
    return False


def end_a_tree(folder: Path) -> str:
    """A program that starts another and leaves: both are found and ended."""
    code = (
        "import subprocess, sys, time\n"
        f"p = subprocess.Popen([sys.executable, '-c', {_SLEEPER!r}])\n"
        "print(p.pid, flush=True); time.sleep(120)"
    )
    title = TitleProcess(
        [sys.executable, "-c", code], SystemClock(), cwd=folder, output_path=folder / "output.log"
    )
    try:
        _until(lambda: len(title.tree()) >= 2, "the second program of the tree was not found")
        pids = [process.pid for process in title.tree()]
    finally:
        title.end(1.0)
    left = [pid for pid in pids if _lives(pid)]
    if left:
        raise RuntimeError(f"{len(left)} of {len(pids)} programs still run")
    return f"{counted(len(pids), 'program')} started, found and ended"


def lock_a_folder(folder: Path) -> str:
    """A second process is kept out while the lock is held, and let in afterwards."""
    code = (
        "import sys; from pathlib import Path; from datetime import UTC, datetime\n"
        "from harness.store.lock import FolderLock; from harness.errors import CampaignBusy\n"
        "try: FolderLock(Path(sys.argv[1]), datetime.now(UTC)).release()\n"
        "except CampaignBusy: sys.exit(7)"
    )
    lock = FolderLock(folder, datetime.now(UTC))
    try:
        inner = _python(code, folder)
        try:
            FolderLock(folder, datetime.now(UTC)).release()
        except CampaignBusy:
            pass
        else:
            raise RuntimeError("the same folder could be locked twice by one process")
    finally:
        lock.release()
    if inner != 7:
        raise RuntimeError(f"a second process was not kept out (exit code {inner})")
    if (after := _python(code, folder)) != 0:
        raise RuntimeError(f"a second process was not let in afterwards (exit code {after})")
    return "a second process was kept out, and let in afterwards"


def replace_files(folder: Path) -> str:
    """Whole files by temporary file, sync and rename, as a campaign writes them."""
    files = SafeFiles(folder)
    took_ms = []
    for number in range(20):
        began_s = time.perf_counter()
        files.write_whole(folder / "file", f"{number}".encode() * 1000)
        took_ms.append((time.perf_counter() - began_s) * 1e3)
        if inside.read_bytes(folder, folder / "file") != f"{number}".encode() * 1000:
            raise RuntimeError("a replaced file reads back as something else")
    return f"20 files synced and replaced, {statistics.median(took_ms):.1f} ms each (median)"


def keep_a_journal(folder: Path) -> str:
    """SQLite in the mode that a campaign uses, read by a second connection while it is written."""
    from harness.store.journal import Journal, set_meta

    journal = Journal.open(SafeFiles(folder))
    try:
        with journal.transaction("self_test") as connection:
            set_meta(connection, {"self_test": 7})
        reader = Journal.read(folder)
        try:
            if reader.meta("self_test") != 7:
                raise RuntimeError("what was written is not seen by a second reader")
        finally:
            reader.close()
    finally:
        journal.close()
    return "written, and seen by a second reader"


def compare_clocks(folder: Path) -> str:
    """Steps of the clock that times frames, and how two clocks and a second process agree."""
    del folder
    steps: list[float] = []
    last = time.perf_counter()
    for _ in range(20_000):
        now = time.perf_counter()
        if now < last:
            raise RuntimeError("the frame clock went backwards")
        if now > last:
            steps.append(now - last)
        last = now
    began = time.perf_counter(), time.monotonic(), time.time()
    code = "import time; print(time.perf_counter())"
    said = subprocess.run([sys.executable, "-I", "-c", code], capture_output=True, text=True, check=True)
    other_s = float(said.stdout)
    time.sleep(1.0)
    ended = time.perf_counter(), time.monotonic(), time.time()
    if not began[0] <= other_s <= ended[0]:
        raise RuntimeError("another process reads another frame clock, so logs of titles need alignment")
    apart_ms = abs((ended[0] - began[0]) - (ended[1] - began[1])) * 1e3
    if apart_ms > 100:
        raise RuntimeError(f"two clocks differ by {apart_ms:.1f} ms over {ended[0] - began[0]:.1f} s")
    over_s = ended[0] - began[0]
    return f"steps of {min(steps) * 1e9:.0f} ns; two clocks {apart_ms:.3f} ms apart over {over_s:.1f} s"


def set_priority(folder: Path) -> str:
    """Start a program below normal priority and, where the account may, above it."""
    seen: list[str] = []
    priorities: tuple[Priority, ...] = ("below-normal", "above-normal")
    for priority in priorities:
        try:
            title = TitleProcess(
                [sys.executable, "-c", _SLEEPER],
                SystemClock(),
                cwd=folder,
                output_path=folder / "output.log",
                priority=priority,
            )
        except HarnessError as error:
            if seen:
                raise NotAvailable(f"below normal works; above normal: {error}") from error
            raise
        try:
            seen.append(f"{priority} {psutil.Process(title.pid).nice()}")
        finally:
            title.end(0.0)
    return "set and read back: " + ", ".join(seen)


def set_affinity(folder: Path) -> str:
    """Keep a program on one processor."""
    if not hasattr(psutil.Process, "cpu_affinity"):
        raise NotAvailable("this system does not offer it")
    one = psutil.Process().cpu_affinity()[-1:]
    title = TitleProcess(
        [sys.executable, "-c", _SLEEPER],
        SystemClock(),
        cwd=folder,
        output_path=folder / "output.log",
        affinity=one,
    )
    try:
        seen = psutil.Process(title.pid).cpu_affinity()
    finally:
        title.end(0.0)
    if seen != one:
        raise RuntimeError(f"asked for processor {one}, the program runs on {seen}")
    return f"kept on processor {one[0]} of {psutil.cpu_count()}"


def restore_after_a_kill(folder: Path) -> str:
    """A program that changed a card is killed outright; the watch puts it back and clears the record."""
    from harness.pretend import kill_and_see

    return f"back {kill_and_see(folder, 30.0):.1f} s after the kill"


def open_live_page(folder: Path) -> str:
    """Serve a page with the live page's own protocol on this machine, and fetch it."""
    try:
        import uvicorn

        from harness.watch.access import Access
        from harness.watch.app import make_app
        from harness.watch.protocol import BoundedProtocol
    except ImportError as error:
        raise NotAvailable(f"{error.name} is not installed; pip install 'levelrig[watch]'") from error
    config = uvicorn.Config(
        make_app(folder, Access(None)), host="127.0.0.1", port=0, http=BoundedProtocol,
        log_level="error", access_log=False, lifespan="off",
    )  # fmt: skip
    listener = config.bind_socket()
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    try:
        _until(lambda: server.started, "the server did not start")
        opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))  # never through a proxy
        with opener.open(f"http://127.0.0.1:{listener.getsockname()[1]}/live", timeout=30) as answer:
            size = len(answer.read())
    finally:
        server.should_exit = True
        thread.join(10)
    return f"served and fetched, {size} bytes"


def _reading(sensor: Sensor) -> Callable[[Path], str]:
    def read(folder: Path) -> str:
        del folder
        try:
            return _read_for_a_while(sensor)
        finally:
            sensor.close()

    return read


def _read_for_a_while(sensor: Sensor) -> str:
    quantities = [channel.quantity for channel in sensor.channels()]
    got = dict.fromkeys(quantities, 0)
    reads, took_s = 0, []
    end_s = time.monotonic() + READ_S
    while time.monotonic() < end_s:
        began_s = time.perf_counter()
        try:
            values = sensor.read(quantities)
        except SensorUnavailable as error:
            raise RuntimeError(f"vanished after {reads} readings: {error}") from error
        took_s.append(time.perf_counter() - began_s)
        reads += 1
        for quantity in quantities:
            got[quantity] += values.get(quantity) is not None
        time.sleep(0.1)
    empty = {channel.quantity for channel in sensor.channels() if channel.may_be_empty}
    silent = [quantity for quantity in quantities if not got[quantity] and quantity not in empty]
    each_ms = statistics.median(took_s) * 1e3
    detail = f"{len(quantities) - len(silent)} quantities, {reads} times, {each_ms:.2f} ms each"
    if silent:
        raise NotAvailable(f"{detail}; nothing from {', '.join(silent)}")
    return detail


def about_this_machine() -> str:
    """One line that goes with the table."""
    from harness import __version__

    system = f"{platform.system()} {platform.release()} {platform.machine()}, {os.cpu_count()} processors"
    when = f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC"
    return f"levelrig {__version__}, Python {platform.python_version()}, {system}, {when}"


def _python(code: str, folder: Path) -> int:
    return subprocess.run([sys.executable, "-c", code, str(folder)], timeout=40, check=False).returncode


def _until(is_so: Callable[[], bool], otherwise: str, limit_s: float = 30.0) -> None:
    end_s = time.monotonic() + limit_s
    while not is_so():
        if time.monotonic() > end_s:
            raise RuntimeError(otherwise)
        time.sleep(0.05)


def _lives(pid: int) -> bool:
    try:
        return psutil.Process(pid).status() != psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return False
