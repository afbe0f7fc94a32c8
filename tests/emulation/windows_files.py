"""A file system as Windows has it, on Linux: what is refused there is refused here.

A plugin of pytest, and through its environment of every Python that a test starts: ``pytest --as-windows``.

- Sharing: a file that any process has open can't be replaced, renamed or removed, nor a folder with such a
  file in it or one that a process works in. What opens files there (the C library, SQLite, pyarrow) does not
  share that.
- Names: the reserved ones, forbidden signs, names that end in a dot or a blank, names that differ from one
  that is there by case alone, and paths beyond 259 signs can't be made.

Source: learn.microsoft.com, "Naming Files, Paths, and Namespaces", "Maximum Path Length Limitation",
"Creating and Opening Files", "MoveFileEx function" (from memory). Only what the program itself does is
refused, not what a test does to it. What Windows refuses beyond these is not known here.
"""

from __future__ import annotations

import builtins
import errno
import io
import os
import re
import stat
import sys
from collections.abc import Callable, Iterator
from typing import Any, Final

#: Set in the environment of what is started: the folder whose files stand for a Windows volume.
VARIABLE: Final = "LEVELRIG_TEST_AS_WINDOWS"
#: What stands before a path below that folder on a usual machine.
_PREFIX: Final = len(r"C:\Users\reviewer\Documents")
LONGEST_PATH: Final = 259
_RESERVED = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|com[0-9¹²³]|lpt[0-9¹²³])\s*(\..*)?", re.IGNORECASE)
_FORBIDDEN: Final = frozenset('<>:"/\\|?*') | {chr(n) for n in range(32)}
_PYTEST_FOLDER = re.compile(r"pytest-of-[^/]*/pytest-\d+/(?:popen-gw\d+/)?[^/]+/?")


def wrong_name(name: str) -> str:
    """Why Windows can't have a file of that name; empty where it can."""
    if _RESERVED.fullmatch(name):
        return f"{name!r} is a device there"
    if bad := sorted(_FORBIDDEN & set(name)):
        return f"{name!r} holds {bad[0]!r}"
    if name.endswith((".", " ")) and name not in (".", ".."):
        return f"{name!r} ends in a dot or a blank, which is dropped there"
    if len(name.encode("utf-16-le", "surrogatepass")) // 2 > 255:
        return f"{name!r} has more than 255 signs"
    return ""


class Volume:
    """Everything below some folders, as if it lay on a volume of Windows.

    Args:
        roots: The folders; outside them nothing is refused.
    """

    def __init__(self, roots: list[str]) -> None:
        self.roots = [os.path.realpath(root) for root in roots]
        self.listdir, self.readlink, self.lstat = os.listdir, os.readlink, os.lstat

    def path_of(self, path: Any, dir_fd: int | None = None) -> str | None:
        """A path below the root, absolute; None for anything else."""
        if isinstance(path, int) or not _asked_by_the_program():
            return None
        text = os.fsdecode(path)
        if not os.path.isabs(text):
            try:
                base = os.getcwd() if dir_fd is None else self.readlink(f"/proc/self/fd/{dir_fd}")
            except OSError:
                return None
            text = os.path.join(base, text)
        folder, name = os.path.split(os.path.normpath(text))
        whole = os.path.join(os.path.realpath(folder), name)
        return whole if self.root_of(whole) else None

    def root_of(self, path: str) -> str:
        """The root that a path lies below; empty where there is none."""
        return next((root for root in self.roots if path.startswith(root + os.sep)), "")

    def open_files(self) -> Iterator[str]:
        """Path of every file that a process here has open."""
        for pid in self.listdir("/proc"):
            if pid.isdigit():
                try:
                    handles = self.listdir(f"/proc/{pid}/fd")
                except OSError:
                    continue
                for link in ("cwd", *(f"fd/{handle}" for handle in handles)):
                    try:
                        yield ("cwd " if link == "cwd" else "") + self.readlink(f"/proc/{pid}/{link}")
                    except OSError:
                        continue

    def refuse_held(self, path: str | None, code: int) -> None:
        """Raise as Windows does where the file, or one in the folder, is open."""
        if path is None:
            return
        try:
            is_folder = stat.S_ISDIR(self.lstat(path).st_mode)
        except OSError:
            return  # the system's own error is the right one
        within = path + os.sep
        for held in self.open_files():
            if is_folder and held.startswith("cwd "):
                is_held = f"{held[4:]}{os.sep}".startswith(within)
            elif is_folder:
                is_held = held.startswith(within) and not self._is_folder(held)
            else:
                is_held = held == path
            if is_held:
                error = PermissionError(errno.EACCES, f"held open as on Windows: {held}", path)
                error.winerror = code  # type: ignore[attr-defined]
                raise error

    def _is_folder(self, path: str) -> bool:
        try:
            return stat.S_ISDIR(self.lstat(path).st_mode)
        except OSError:
            return True  # removed already, or no path at all

    def refuse_name(self, path: str | None) -> None:
        """Raise where a new file or folder could not have that name on Windows."""
        if path is None or os.path.lexists(path):
            return
        folder, name = os.path.split(path)
        why = wrong_name(name)
        if not why:
            inner = _PYTEST_FOLDER.sub("", path[len(self.root_of(path)) + 1 :])
            if _PREFIX + 1 + len(inner) > LONGEST_PATH:
                why = f"{_PREFIX + 1 + len(inner)} signs, at most {LONGEST_PATH}"
        if not why:
            try:
                same = [other for other in self.listdir(folder) if other.lower() == name.lower()]
            except OSError:
                same = []
            if same:
                why = f"{same[0]!r} is there, which is the same name there"
        if why:
            error = OSError(errno.EINVAL, f"no name as on Windows: {why}", path)
            error.winerror = 123  # type: ignore[attr-defined]
            raise error


def _asked_by_the_program() -> bool:
    """Whether the program itself acts, and no test, by the nearest frame that is of one of the two."""
    frame: Any = sys._getframe(1)
    while frame is not None:
        name = frame.f_code.co_filename
        if f"{os.sep}harness{os.sep}" in name or f"{os.sep}harness_plugins{os.sep}" in name:
            return True
        if f"{os.sep}tests{os.sep}" in name and f"{os.sep}emulation{os.sep}" not in name:
            return False
        frame = frame.f_back
    return False


def install(roots: str) -> None:
    """From now on the functions of this process that make, move and remove files refuse as Windows does."""
    volume = Volume(roots.split(os.pathsep))

    def moving(real: Callable[..., Any]) -> Callable[..., Any]:
        def move(
            source: Any, target: Any, *, src_dir_fd: int | None = None, dst_dir_fd: int | None = None
        ) -> Any:
            volume.refuse_held(volume.path_of(source, src_dir_fd), 32)
            into = volume.path_of(target, dst_dir_fd)
            volume.refuse_held(into, 5)
            volume.refuse_name(into)
            return real(source, target, src_dir_fd=src_dir_fd, dst_dir_fd=dst_dir_fd)

        return move

    def removing(real: Callable[..., Any]) -> Callable[..., Any]:
        def remove(path: Any, *, dir_fd: int | None = None) -> Any:
            volume.refuse_held(volume.path_of(path, dir_fd), 32)
            return real(path, dir_fd=dir_fd)

        return remove

    def making(real: Callable[..., Any]) -> Callable[..., Any]:
        def make(path: Any, mode: int = 0o777, *, dir_fd: int | None = None) -> Any:
            volume.refuse_name(volume.path_of(path, dir_fd))
            return real(path, mode, dir_fd=dir_fd)

        return make

    real_open, real_os_open = builtins.open, os.open

    def os_open(path: Any, flags: int, mode: int = 0o777, *, dir_fd: int | None = None) -> int:
        if flags & os.O_CREAT:
            volume.refuse_name(volume.path_of(path, dir_fd))
        return real_os_open(path, flags, mode, dir_fd=dir_fd)

    def text_open(file: Any, mode: str = "r", *more: Any, **options: Any) -> Any:
        if set(mode) & set("wxa") and options.get("opener") is None:
            volume.refuse_name(volume.path_of(file))
        return real_open(file, mode, *more, **options)

    os.replace, os.rename = moving(os.replace), moving(os.rename)
    os.unlink = os.remove = removing(os.unlink)
    os.rmdir = removing(os.rmdir)
    os.mkdir = making(os.mkdir)
    os.open = os_open
    os.supports_dir_fd |= {os.replace, os.rename, os.unlink, os.rmdir, os.mkdir, os.open}
    builtins.open = io.open = text_open  # type: ignore[assignment]
