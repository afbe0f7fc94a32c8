"""The nine parts of the self-test that a first night on Windows hangs on, or their like on Linux.

Nothing on the card is changed: the card that is put back is a file, the task that runs writes a file, the
window that comes to the front says what it is and goes again. Each part gives a sentence and figures.
"""

from __future__ import annotations

import contextlib
import getpass
import locale
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import psutil

from harness import heldfiles, inside
from harness.awake import can_be_kept_awake
from harness.boots import boot_identity, same_boot
from harness.clock import SystemClock
from harness.isolated import python_command
from harness.numerals import counted
from harness.pretend import FACTORY, TUNED, kill_and_see
from harness.processes import NICENESS, TitleProcess, windows_priority_class
from harness.rig import SeesPrograms, Sensor
from harness.steps.desk import NoDesk
from harness.steps.opening import open_desk
from harness.steps.own_windows import OwnWindows
from harness.streams import EXAMPLE, fit
from harness.supervise.tasks import Task, register, task_xml, unregister
from harness.systemtools import run_tool, tool_text
from harness.windows.awake import modern_standby
from harness.windows.calls import windows_calls
from harness.windows.elevation import is_elevated

#: How long other programs on the card are looked at, s.
FOREIGN_S: Final = 60.0
_TASK: Final = "levelrig self-test"


class NotAvailable(Exception):
    """This machine, system or account does not offer it; the message says what is missing.

    Attributes:
        figures: What was measured all the same.
    """

    def __init__(self, what: str, figures: Mapping[str, Any] | None = None) -> None:
        self.figures = figures or {}
        super().__init__(what)


#: What a part says, and its figures.
Seen = tuple[str, Mapping[str, Any]]
Part = tuple[str, Callable[[Path], Seen]]


def parts(sensors: Sequence[Sensor]) -> list[Part]:
    """The nine, in the order in which a night meets them."""
    return [
        ("rights and sleep", rights_and_sleep),
        ("end politely through a launcher", end_through_a_launcher),
        ("kill a program that changed a card, close its console", kill_and_close),
        ("lock and replace files under use", files_under_use),
        ("clocks and boot in two processes", clocks_and_boot),
        ("other programs on the card", lambda folder: other_programs(sensors)),
        ("register, run and delete a task", run_a_task),
        ("bring a window to the front", window_in_front),
        ("print all signs", print_signs),
    ]


def rights_and_sleep(folder: Path) -> Seen:
    """Elevation, and what keeps the machine awake."""
    del folder
    calls = windows_calls()
    elevated = is_elevated(calls) if calls is not None else _is_root()
    awake = can_be_kept_awake()
    standby = None if calls is None else modern_standby(calls)
    battery = psutil.sensors_battery() if hasattr(psutil, "sensors_battery") else None
    on_battery = None if battery is None else not battery.power_plugged
    figures = {
        "elevated": elevated, "kept_awake_by": list(awake), "modern_standby": standby,
        "on_battery": on_battery,
    }  # fmt: skip
    said = f"{'elevated' if elevated else 'not elevated'}; kept awake by {', '.join(awake) or 'nothing'}"
    if not awake:
        raise NotAvailable(f"{said}: switch off standby for the night by hand", figures)
    return said, figures


def _is_root() -> bool:
    return sys.platform != "win32" and os.geteuid() == 0


def end_through_a_launcher(folder: Path) -> Seen:
    """A launcher starts a title and leaves: it is found by its mark, has the priority, ends when asked."""
    title_code = (
        "import signal, sys, time\n"
        "def end(*_): open('ended', 'w').write('politely'); sys.exit(0)\n"
        "for name in ('SIGTERM', 'SIGINT', 'SIGBREAK'):\n"
        "    if hasattr(signal, name): signal.signal(getattr(signal, name), end)\n"
        "open('ready', 'w').write('x')\n"
        "for _ in range(1200): time.sleep(0.1)"
    )
    launcher = f"import subprocess, sys, time\nsubprocess.Popen([sys.executable, '-c', {title_code!r}])\n"
    title = TitleProcess(
        [sys.executable, "-c", f"{launcher}time.sleep(1.5)"],
        SystemClock(),
        cwd=folder,
        output_path=folder / "output.log",
        priority="below-normal",
    )
    try:
        _until((folder / "ready").exists, "the title was not started by its launcher")
        _until(lambda: title.exit_code() is not None, "the launcher did not leave")
        found = title.tree()
        if not found:
            raise RuntimeError("the title was not found once its launcher had left")
        priorities = [process.nice() for process in found]
        wanted = (
            windows_priority_class("below-normal") if sys.platform == "win32" else NICENESS["below-normal"]
        )
        began_s = time.monotonic()
        in_time = title.end(5.0)
        took_s = time.monotonic() - began_s
    finally:
        title.end(0.0)
    politely = (folder / "ended").exists()
    figures = {
        "found": len(found), "priorities": [int(p) for p in priorities], "ended_politely": politely,
        "ended_in_time": in_time, "took_s": round(took_s, 2),
    }  # fmt: skip
    if any(priority != wanted for priority in priorities):
        raise RuntimeError(f"the title behind its launcher has priority {priorities}, not {wanted}")
    how = "as it was asked" if politely else "by force: it has no window, and the launcher's console was gone"
    return f"found by its mark, below normal, ended {how}", figures


def kill_and_close(folder: Path) -> Seen:
    """The watch puts a pretend card back after a kill, and lives on when the console goes."""
    back_s = kill_and_see(folder / "killed", 30.0)
    figures: dict[str, Any] = {"back_after_s": round(back_s, 2)}
    if sys.platform == "win32":
        figures["console_closed_back_after_s"] = round(_close_console(folder / "closed", 30.0), 2)
    else:
        figures["terminal_closed_back_after_s"] = round(_close_terminal(folder / "closed", 30.0), 2)
    gone_s = list(figures.values())[1]
    return f"back {back_s:.1f} s after a kill, {gone_s:.1f} s after its console was closed", figures


def _close_terminal(folder: Path, limit_s: float) -> float:
    """The victim has a terminal of its own, which is closed."""
    if sys.platform == "win32":
        raise NotAvailable("a pseudo-terminal is Unix's")
    import pty

    folder.mkdir(parents=True, exist_ok=True)
    pid, terminal = pty.fork()
    if pid == 0:  # the child: a session of its own on that terminal
        words = python_command("harness.pretend", "change", str(folder))
        signal.signal(signal.SIGHUP, signal.SIG_DFL)  # under nohup it would be ignored, here too
        os.execvp(words[0], words)
    try:
        _until(lambda: (folder / "card").exists() and _text(folder / "card") == TUNED, "no change was seen")
        os.close(terminal)
        return _seconds_until_back(folder, limit_s)
    finally:
        with _gone():
            psutil.Process(pid).kill()
        os.waitpid(pid, 0)


def _close_console(folder: Path, limit_s: float) -> float:
    """The victim has a console of its own; ending the program that the console belongs to closes it."""
    folder.mkdir(parents=True, exist_ok=True)
    new_console = getattr(subprocess, "CREATE_NEW_CONSOLE", 0)
    words = python_command("harness.pretend", "change", str(folder))
    victim = subprocess.Popen(words, creationflags=new_console, stdin=subprocess.DEVNULL)
    try:
        _until(lambda: (folder / "card").exists() and _text(folder / "card") == TUNED, "no change was seen")
        hosts = _console_hosts(victim.pid)
        if not hosts:  # another terminal has taken the console over
            raise NotAvailable(
                "put back after a kill; its console belongs to a terminal that can't be closed from here"
            )
        for host in hosts:
            with _gone():
                host.kill()
        return _seconds_until_back(folder, limit_s)
    finally:
        victim.kill()
        victim.wait()


def _console_hosts(pid: int) -> list[psutil.Process]:
    """``conhost.exe`` of a program's own console is its child."""
    with _gone():
        return [c for c in psutil.Process(pid).children() if c.name().lower() == "conhost.exe"]
    return []


def _seconds_until_back(folder: Path, limit_s: float) -> float:
    began_s = time.monotonic()
    _until(lambda: _text(folder / "card") == FACTORY, "the card was not put back", limit_s)
    return time.monotonic() - began_s


def files_under_use(folder: Path) -> Seen:
    """A file that a reader holds for a moment is replaced; one that is held on is named, with the holder."""
    path = folder / "table.csv"
    inside.write_whole(folder, path, b"old")
    code = (
        "import sys, time\nwith open(sys.argv[1]) as held:\n"
        "    print('held', flush=True); time.sleep(float(sys.argv[2]))"
    )
    words = [sys.executable, "-c", code, str(path)]
    figures: dict[str, Any] = {}
    with subprocess.Popen([*words, "0.5"], stdout=subprocess.PIPE) as reader:
        assert reader.stdout is not None
        reader.stdout.readline()
        began_s = time.monotonic()
        inside.write_whole(folder, path, b"new")
        figures["replaced_after_s"] = round(time.monotonic() - began_s, 2)
    if inside.read_bytes(folder, path) != b"new":
        raise RuntimeError("a replaced file reads back as something else")
    with subprocess.Popen([*words, "30"], stdout=subprocess.PIPE) as reader:
        assert reader.stdout is not None
        reader.stdout.readline()
        try:
            heldfiles.remove(path)
            figures["named"] = None
        except OSError as error:
            figures["named"] = error.strerror
        reader.kill()
    if figures["named"] is None and sys.platform == "win32":
        raise RuntimeError("a file that a reader holds could be removed: this file system shares otherwise")
    named = figures["named"] or "this system lets a file go that is read"
    return f"replaced after {figures['replaced_after_s']:.1f} s while a reader held it; {named}", figures


def clocks_and_boot(folder: Path) -> Seen:
    """Two processes read the same clock and the same boot."""
    del folder
    code = "import time; from harness.boots import boot_identity; print(time.perf_counter(), boot_identity())"
    before_s = time.perf_counter()
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, timeout=60, check=True)
    after_s = time.perf_counter()
    clock, _, theirs = tool_text(ended.stdout).strip().partition(" ")
    ours = boot_identity()
    one_clock = before_s <= float(clock) <= after_s
    figures = {
        "boot": ours, "boot_of_another_process": theirs, "one_clock": one_clock,
        "by": time.get_clock_info("perf_counter").implementation,
    }  # fmt: skip
    if not same_boot(ours, theirs):
        raise RuntimeError(f"two processes name two boots: {ours} and {theirs}")
    if not one_clock:
        raise RuntimeError("another process reads another frame clock, so logs of titles need alignment")
    return f"one clock ({figures['by']}), one boot ({ours})", figures


def other_programs(sensors: Sequence[Sensor]) -> Seen:
    """Programs on the card that are none of ours: at how many looks each was there, its highest load, %."""
    sources = [sensor for sensor in sensors if isinstance(sensor, SeesPrograms)]
    if not sources:
        raise NotAvailable("no sensor here sees other programs on a card")
    looks, seen = 0, dict[str, int]()
    loads_pct: dict[str, float] = {}
    end_s = time.monotonic() + FOREIGN_S
    while time.monotonic() < end_s:
        for source in sources:
            source.read([q for c in source.channels() if (q := c.quantity).startswith("foreign_gpu")])
            programs = source.programs()
            looks += programs is not None
            for name, load_pct in (programs or {}).items():
                seen[name] = seen.get(name, 0) + 1
                loads_pct[name] = max(loads_pct.get(name, 0.0), load_pct or 0.0)
        time.sleep(2.0)
    if not looks:
        raise NotAvailable("the sensors here never told which programs are on the card")
    figures = {"looks": looks, "seen_at_looks": seen, "highest_load_pct": loads_pct}
    said = ", ".join(f"{name} at {number}" for name, number in sorted(seen.items())) or "none"
    return f"{counted(looks, 'look')} in {FOREIGN_S:.0f} s, by name: {said}", figures


def run_a_task(folder: Path) -> Seen:
    """A task is registered with the scheduler, run, seen to have worked, and deleted."""
    if sys.platform != "win32":
        raise NotAvailable("only on Windows: systemd's units are tried by `levelrig resume-at-boot enable`")
    done = folder / "done"
    words = [sys.executable, "-c", "import sys; open(sys.argv[1], 'w').write('done')", str(done)]
    task = Task(
        _TASK,
        "Tries the task scheduler; can be deleted.",
        "asked",
        [words],
        getpass.getuser(),
        elevated=False,
    )
    definition = folder / "task.xml"
    definition.write_text(task_xml(task), encoding="utf-16")

    def do(command: Sequence[str]) -> None:
        run_tool(command)

    began_s = time.monotonic()
    register(task, definition, do)
    try:
        shown = run_tool(["schtasks", "/Query", "/TN", _TASK, "/FO", "LIST"])
        run_tool(["schtasks", "/Run", "/TN", _TASK])
        _until(done.exists, "the task was started and did nothing")
    finally:
        unregister(_TASK, do)
    took_s = time.monotonic() - began_s
    return f"registered, queried, run and deleted in {took_s:.1f} s", {
        "took_s": round(took_s, 1),
        "query": shown,
    }


def window_in_front(folder: Path) -> Seen:
    """A program opens a window: it is found, brought to the front, and asked to close."""
    try:
        desk = open_desk()
    except NoDesk as error:
        raise NotAvailable(f"no desktop to look at: {error}") from error
    code = (
        "import tkinter\nwindow = tkinter.Tk()\n"
        "window.title('levelrig self-test')\nwindow.geometry('400x120')\n"
        "tkinter.Label(window, text='levelrig self-test').pack()\nwindow.after(30000, window.destroy)\n"
        "window.mainloop()"
    )
    if not _has_tkinter():
        desk.close()
        raise NotAvailable("this Python has no tkinter to open a window with")
    title = TitleProcess(
        [sys.executable, "-c", code], SystemClock(), cwd=folder, output_path=folder / "output.log"
    )
    try:
        ours = OwnWindows(desk, lambda: [process.pid for process in title.tree()])
        _until(lambda: ours.main() is not None, "no window of the program was found")
        window = ours.main()
        assert window is not None
        desk.focus(window)
        _until(
            lambda: (front := desk.focused()) is not None and front.process_id == window.process_id,
            "the window was found and did not come to the front",
            10.0,
        )
        began_s = time.monotonic()
        desk.ask_to_close(window)
        _until(lambda: title.exit_code() is not None, "the window was asked to close and did not", 10.0)
        took_s = time.monotonic() - began_s
    finally:
        title.end(0.0)
        desk.close()
    return f"found, brought to the front, closed {took_s:.1f} s after it was asked", {
        "took_s": round(took_s, 2)
    }


def _has_tkinter() -> bool:
    return (
        subprocess.run([sys.executable, "-c", "import tkinter"], capture_output=True, check=False).returncode
        == 0
    )


def print_signs(folder: Path) -> Seen:
    """A line with signs of many scripts goes to a console, a file and a pager, and nothing fails."""
    code = "from harness import streams; streams.prepare(); print(streams.EXAMPLE)"
    words = [sys.executable, "-c", code]
    figures: dict[str, Any] = {"code_page": locale.getpreferredencoding(False)}
    plainly = {k: v for k, v in os.environ.items() if k not in ("PYTHONIOENCODING", "PYTHONUTF8")}
    for page in ("", "cp1252", "cp932", "cp437", "utf-8"):
        environment = {**plainly, **({"PYTHONIOENCODING": page} if page else {})}
        with (folder / "out.txt").open("wb") as file:
            code_ = subprocess.run(words, stdout=file, env=environment, timeout=60, check=False).returncode
        if code_:
            raise RuntimeError(f"a file in {page or 'the code page of this system'}: exit code {code_}")
    figures["file"] = (folder / "out.txt").stat().st_size
    if sys.platform == "win32":
        done = subprocess.run(
            words, creationflags=subprocess.CREATE_NEW_CONSOLE, env=plainly, timeout=60, check=False
        )
        console_code = done.returncode
    else:
        console_code = _on_a_terminal(words, plainly)
    if console_code:
        raise RuntimeError(f"a console: exit code {console_code}")
    figures["console"] = "written"
    pager = shutil.which("more.com" if sys.platform == "win32" else "more")
    if pager is not None:
        page = figures["code_page"]
        fed = fit(EXAMPLE, page).encode(page)
        figures["pager"] = subprocess.run(
            [pager], input=fed, stdout=subprocess.PIPE, timeout=60, check=True
        ).returncode
    return (
        f"console, file{' and pager' if pager else ''} took all; code page {figures['code_page']}",
        figures,
    )


def _on_a_terminal(words: Sequence[str], environment: Mapping[str, str]) -> int:
    """Exit code of a program whose output is a terminal of its own."""
    if sys.platform == "win32":
        raise NotAvailable("a pseudo-terminal is Unix's")
    import pty

    ours, theirs = pty.openpty()
    try:
        child = subprocess.Popen(words, stdin=theirs, stdout=theirs, stderr=theirs, env=environment)
        code = child.wait(60)
        os.read(ours, 4096)
    finally:
        os.close(ours)
        os.close(theirs)
    return code


def _gone() -> contextlib.suppress:
    return contextlib.suppress(psutil.Error, OSError)


def _text(path: Path) -> str:
    with contextlib.suppress(OSError):
        return path.read_text("ascii")
    return ""


def _until(is_so: Callable[[], bool], otherwise: str, limit_s: float = 30.0) -> None:
    end_s = time.monotonic() + limit_s
    while not is_so():
        if time.monotonic() > end_s:
            raise RuntimeError(otherwise)
        time.sleep(0.05)
