"""Files below a folder that other people may write to: no link below it is followed, nothing special opened.

A campaign folder may belong to somebody else than the user who runs levelrig, root above all. A link put
there would make levelrig read, serve or overwrite what lies elsewhere. So everything below the folder is
reached component by component through handles of its folders, with ``O_NOFOLLOW``: a component that is
exchanged for a link between two calls changes nothing. Above it, where the user named a path, a link is
followed if it belongs to this user or to root. Files that are written in place must be regular and have one
name only.

Windows has no such handles. There every component is looked at before the file is opened, and reparse points
(links, junctions) are refused; that leaves a moment between look and opening, and was not tried there.

Errors are :class:`harness.errors.UnsafePath` for what is refused, else OSError.
"""

from __future__ import annotations

import errno
import os
import stat
import sys
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from io import BufferedReader
from pathlib import Path
from typing import Final

from harness import heldfiles
from harness.errors import UnsafePath
from harness.heldfiles import when_let

_FILE_FLAGS: Final = getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
_MOST_LINKS: Final = 40
#: No file that is read whole into memory may be larger, unless its reader says otherwise.
WHOLE_BYTES: Final = 64 << 20


def open_file(root: Path, path: Path, flags: int = os.O_RDONLY, mode: int = 0o666) -> int:
    """A descriptor of the regular file ``path`` below ``root``.

    Args:
        root: The folder that the user named, absolute or relative to the working folder.
        path: ``root`` or something below it.
        flags: As for ``os.open``. FIFOs and devices are refused without waiting for them.
        mode: Of a new file.
    Raises:
        UnsafePath: A component is a link; it is no regular file; it is to be written and has further names.
        OSError: The system refused.
    """
    with _parent(root, path) as (folder, name):
        descriptor = when_let(lambda: _open(folder, name, flags | _FILE_FLAGS, mode, path), path)
    try:
        found = os.fstat(descriptor)
        if stat.S_ISDIR(found.st_mode):
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
        if not stat.S_ISREG(found.st_mode):
            raise UnsafePath(f"{path}: not a regular file (FIFO, device or socket); take it away")
        if flags & (os.O_WRONLY | os.O_RDWR) and found.st_nlink > 1:
            raise UnsafePath(f"{path}: the file has further names elsewhere (hard links); take them away")
        if sys.platform != "win32":
            os.set_blocking(descriptor, True)
    except BaseException:
        os.close(descriptor)
        raise
    return descriptor


def opened(root: Path, path: Path) -> BufferedReader:
    """The file, open for reading."""
    return os.fdopen(open_file(root, path), "rb")


def read_bytes(root: Path, path: Path, at_most_bytes: int = WHOLE_BYTES) -> bytes:
    """The whole file. Raises UnsafePath also where it is larger than ``at_most_bytes``."""
    with opened(root, path) as file:
        content = file.read(at_most_bytes + 1)
    if len(content) > at_most_bytes:
        raise UnsafePath(f"{path}: larger than {at_most_bytes} bytes, which no file of this kind is")
    return content


def read_text(root: Path, path: Path, at_most_bytes: int = WHOLE_BYTES) -> str:
    """The whole file as UTF-8, with or without a byte order mark."""
    return read_bytes(root, path, at_most_bytes).decode("utf-8-sig")


def create(root: Path, path: Path) -> int:
    """A descriptor for writing of a new file; what had the name before loses it, and is not written to."""
    remove(root, path)
    return open_file(root, path, os.O_WRONLY | os.O_CREAT | os.O_EXCL)


def write_whole(root: Path, path: Path, content: bytes) -> None:
    """Write a file; its readers see the old content or the new, never a part. Not synced."""
    part = path.with_name(f"{path.name}.{uuid.uuid4().hex[:8]}.part")
    try:
        with os.fdopen(create(root, part), "wb") as file:
            file.write(content)
        replace(root, part, path)
    except BaseException:
        with suppress(OSError):
            remove(root, part)
        raise


def make_folders(root: Path, path: Path) -> None:
    """Make ``path`` and what is missing between it and ``root``; ``root`` itself and its parents too."""
    if not root.exists():
        root.mkdir(parents=True, exist_ok=True)
    missing = [p for p in (path, *path.parents) if p != root and p.is_relative_to(root)]
    for folder in reversed(missing):
        make_folder(root, folder)


def make_folder(root: Path, path: Path) -> None:
    """Make one folder; one that is there already is fine, a link to one is not."""
    if path == root:
        path.mkdir(exist_ok=True)
        return
    with _parent(root, path) as (parent, name):
        try:
            os.mkdir(_at(name, path), **_where(parent))  # noqa: PTH102
        except FileExistsError:
            os.close(_open_folder(parent, name, path))


def replace(root: Path, source: Path, target: Path) -> None:
    """Give ``source`` the name ``target`` in its folder; a link of that name is replaced, not followed."""
    with _parent(root, target) as (parent, name):
        if parent is None:
            heldfiles.replace(source, target)
        else:
            when_let(lambda: os.replace(source.name, name, src_dir_fd=parent, dst_dir_fd=parent), target)


def remove(root: Path, path: Path) -> None:
    """Remove a file or a link itself. Nothing there is no error."""
    with suppress(FileNotFoundError), _parent(root, path) as (parent, name):
        when_let(lambda: os.unlink(_at(name, path), **_where(parent)), path)


def remove_tree(root: Path, path: Path) -> None:
    """Remove a folder with all that is in it; links in it are removed, never followed. Errors are ignored."""
    import shutil

    with suppress(OSError), _parent(root, path) as (parent, name):
        if parent is None:
            heldfiles.remove_tree(path)
        else:
            shutil.rmtree(name, ignore_errors=True, dir_fd=parent)


def remove_all(root: Path, path: Path) -> None:
    """Remove a file, a link itself, or a folder with all that is in it. Raises OSError where some is left."""
    if stat.S_ISDIR(stat_of(root, path).st_mode):
        remove_tree(root, path)
        if is_there(root, path):
            raise OSError(errno.ENOTEMPTY, os.strerror(errno.ENOTEMPTY), str(path))
    else:
        remove(root, path)


def sync_folder(root: Path, path: Path) -> None:
    """Make the names in a folder durable. Windows has no such call; it keeps renames in order."""
    if sys.platform != "win32":
        with _folder(root, path) as folder:
            descriptor = os.open(".", os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC, dir_fd=folder)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def stat_of(root: Path, path: Path) -> os.stat_result:
    """What lies under that name, the link itself where it is one. Raises FileNotFoundError, UnsafePath."""
    with _parent(root, path) as (parent, name):
        return os.stat(_at(name, path), follow_symlinks=False, **_where(parent))  # noqa: PTH116


def is_there(root: Path, path: Path) -> bool:
    """Whether something has that name, a link too; not where the way to it leads over a link."""
    try:
        stat_of(root, path)
    except OSError:
        return False
    return True


def size_bytes(root: Path, path: Path) -> int:
    """Size of a regular file that is reached without a link; 0 where there is none."""
    try:
        found = stat_of(root, path)
    except OSError:
        return 0
    return found.st_size if stat.S_ISREG(found.st_mode) else 0


def children(root: Path, path: Path) -> list[Path]:
    """What a folder holds, by name; nothing where there is no folder.

    Raises:
        UnsafePath: It is a link, or is reached over one.
        OSError: It can't be read.
    """
    with suppress(FileNotFoundError):
        return [path / entry.name for entry in _entries(root, path)]
    return []


def files_below(root: Path, path: Path) -> list[Path]:
    """Regular files in a folder at any depth, by path; links and what can't be read are passed by."""
    found: list[Path] = []
    waiting = [path]
    while waiting:
        folder = waiting.pop()
        with suppress(OSError):
            for entry in _entries(root, folder):
                if entry.is_file(follow_symlinks=False):
                    found.append(folder / entry.name)
                elif entry.is_dir(follow_symlinks=False):
                    waiting.append(folder / entry.name)
    return sorted(found)


def is_file(root: Path, path: Path) -> bool:
    """Whether it is a regular file that is reached without a link."""
    try:
        os.close(open_file(root, path))
    except OSError:
        return False
    return True


def refuse_link(root: Path, path: Path) -> None:
    """For a file that a library opens by its path: raise UnsafePath unless it is regular, with one name.

    Nothing there is no error. The library must not follow a link itself (SQLite does not). The file is only
    looked at: closing it would take away the locks that this process holds on it (fcntl(2)).
    """
    with suppress(FileNotFoundError), _parent(root, path) as (parent, name):
        found = os.stat(_at(name, path), follow_symlinks=False, **_where(parent))  # noqa: PTH116
        if stat.S_ISLNK(found.st_mode):
            raise _is_link(path)
        if not stat.S_ISREG(found.st_mode) or found.st_nlink > 1:
            raise UnsafePath(f"{path}: not a regular file with one name; take it away")


def _entries(root: Path, path: Path) -> list[os.DirEntry[str]]:
    if sys.platform == "win32":
        if path != root:
            _look_at(root, path)
        with os.scandir(path) as found:
            return sorted(found, key=lambda entry: entry.name)
    else:
        with _folder(root, path) as folder:
            descriptor = os.open(".", os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC, dir_fd=folder)
        try:
            with os.scandir(descriptor) as found:
                entries = sorted(found, key=lambda entry: entry.name)
            for entry in entries:  # a look at each now, while the handle is open; the answers are kept
                with suppress(OSError):
                    entry.stat(follow_symlinks=False)
            return entries
        finally:
            os.close(descriptor)


@contextmanager
def _parent(root: Path, path: Path) -> Iterator[tuple[int | None, str]]:
    """Handle of the folder that holds ``path``, and the name in it; no handle on Windows."""
    if path == root:
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    if sys.platform == "win32":
        _look_at(root, path)
        yield None, path.name
    else:
        with _folder(root, path.parent) as descriptor:
            yield descriptor, path.name


if sys.platform == "win32":

    def _look_at(root: Path, path: Path) -> None:
        for part in (path, *path.parents):
            if part == root:
                return
            with suppress(FileNotFoundError):
                if os.lstat(part).st_file_attributes & stat.FILE_ATTRIBUTE_REPARSE_POINT:
                    raise _is_link(part)
        raise _is_outside(root, path)

    def _open(folder: int | None, name: str, flags: int, mode: int, path: Path) -> int:
        return os.open(path, flags, mode)

    def _open_folder(folder: int | None, name: str, path: Path) -> int:
        if not path.is_dir():
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path))
        return os.open(os.devnull, os.O_RDONLY)  # Windows opens no folders; the caller only closes it

    def _at(name: str, path: Path) -> str:
        return str(path)

    def _where(parent: int | None) -> dict[str, int]:
        return {}

else:
    #: A handle that stands for a folder, also for one that may be passed through but not listed.
    _FOLDER_FLAGS: Final = getattr(os, "O_PATH", os.O_RDONLY) | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC

    @contextmanager
    def _folder(root: Path, path: Path) -> Iterator[int]:
        """Handle of ``path``, which is ``root`` or below it."""
        if not path.is_relative_to(root) or ".." in path.relative_to(root).parts:
            raise _is_outside(root, path)
        handle = _open_named(root)
        try:
            here = root
            for name in path.relative_to(root).parts:
                here = here / name
                further = _open_folder(handle, name, here)
                os.close(handle)
                handle = further
            yield handle
        finally:
            os.close(handle)

    def _open_named(root: Path) -> int:
        """Handle of the folder that the user named; links on the way are followed if they can be trusted."""
        left = list(reversed(Path(os.path.abspath(root)).parts[1:]))  # noqa: PTH100
        handles = [os.open("/", _FOLDER_FLAGS)]
        links = 0
        try:
            while left:
                name = left.pop()
                if name == "..":
                    if len(handles) > 1:
                        os.close(handles.pop())
                    continue
                try:
                    handles.append(os.open(name, _FOLDER_FLAGS, dir_fd=handles[-1]))
                except OSError as error:
                    links += 1
                    target = _target_of(handles[-1], name, root, error) if links <= _MOST_LINKS else None
                    if target is None:
                        raise OSError(error.errno, error.strerror, str(root)) from error
                    if target.is_absolute():
                        while len(handles) > 1:
                            os.close(handles.pop())
                    left += reversed(target.parts[1:] if target.is_absolute() else target.parts)
            return os.dup(handles[-1])
        finally:
            for handle in handles:
                os.close(handle)

    def _target_of(folder: int, name: str, root: Path, error: OSError) -> Path | None:
        """Where a link leads that belongs to this user or to root; None if it is no link."""
        if error.errno not in (errno.ELOOP, errno.ENOTDIR):
            return None
        found = os.stat(name, dir_fd=folder, follow_symlinks=False)
        if not stat.S_ISLNK(found.st_mode):
            return None
        if found.st_uid not in (0, os.geteuid()):
            raise UnsafePath(f"{root}: {name!r} on the way is another user's link; name the real folder")
        return Path(os.readlink(name, dir_fd=folder))

    def _open(folder: int | None, name: str, flags: int, mode: int, path: Path) -> int:
        try:
            return os.open(name, flags | os.O_NOFOLLOW, mode, dir_fd=folder)
        except OSError as error:
            if error.errno == errno.ELOOP:
                raise _is_link(path) from error
            if error.errno == errno.ENXIO:  # a FIFO that nobody reads, or a socket
                raise UnsafePath(
                    f"{path}: not a regular file (FIFO, device or socket); take it away"
                ) from error
            raise OSError(error.errno, error.strerror, str(path)) from error

    def _open_folder(folder: int | None, name: str, path: Path) -> int:
        try:
            return os.open(name, _FOLDER_FLAGS, dir_fd=folder)
        except OSError as error:
            if error.errno in (errno.ELOOP, errno.ENOTDIR):
                raise _is_link(path) from error
            raise OSError(error.errno, error.strerror, str(path)) from error

    def _at(name: str, path: Path) -> str:
        return name

    def _where(parent: int | None) -> dict[str, int]:
        return {} if parent is None else {"dir_fd": parent}


def _is_link(path: Path) -> UnsafePath:
    return UnsafePath(f"{path}: a link, or no folder; levelrig follows none in this folder. Take it away")


def _is_outside(root: Path, path: Path) -> UnsafePath:
    return UnsafePath(f"{path}: not below {root}")
