"""Builds the native part of the capture with the system's compiler, once for each version of its source."""

from __future__ import annotations

import functools
import hashlib
import json
import os
import platform
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final

from harness.errors import WorkloadFailed
from harness.places import cache_folder

SOURCES: Final = Path(__file__).parent / "native"
LAYER: Final = "VK_LAYER_LEVELRIG_capture"
_LIBRARY: Final = "liblevelrig_capture.so"
MANIFEST: Final = "levelrig_capture.json"
_FLAGS: Final = ("-std=gnu11", "-O2", "-fPIC", "-shared", "-fvisibility=hidden", "-Wl,-z,now")
_COMPILERS: Final = ("cc", "gcc", "clang")
_COMPILE_S: Final = 120.0
INSTALL: Final = (
    "install a C compiler (Debian, Ubuntu: apt install gcc libc6-dev; Fedora: dnf install gcc glibc-devel; "
    "Arch: pacman -S gcc)"
)


class CannotBuild(WorkloadFailed):
    """The native part is not there and can't be made. It can't change by itself."""

    def __init__(self, what: str, remedy: str) -> None:
        self.what, self.remedy = what, remedy
        super().__init__(f"{what}; {remedy}", permanent=True)


@functools.cache
def source_key() -> str:
    """Names one version of the source on one kind of processor."""
    digest = hashlib.sha256(" ".join(_FLAGS).encode())
    for path in sorted(SOURCES.iterdir()):
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return f"{digest.hexdigest()[:16]}-{platform.machine()}"


def folder() -> Path:
    """Where this version lies once it is built: a copy of it from a like machine serves as well."""
    return cache_folder() / "capture" / source_key()


def built() -> Path | None:
    """The library, if it was built and nobody else may have changed it."""
    path = folder() / _LIBRARY
    return path if path.is_file() and (folder() / MANIFEST).is_file() and _is_ours(folder()) else None


def hindrance() -> tuple[str, str] | None:
    """Why there is no native part here and none can be made, and what to do; None where nothing is."""
    if sys.platform != "linux":
        return (
            "frames are captured on Linux alone so far",
            "let the title write a frame log, or a companion",
        )
    if sys.maxsize < 2**32:
        return "this Python is of 32 bit, for which there is no capture", "use a Python of 64 bit"
    if built() is None and _compiler() is None:
        return (
            f"there is no C compiler ({', '.join(_COMPILERS)}), and {folder()} holds no library that was "
            "built before",
            f"{INSTALL}; or copy that folder from a machine of the same kind that has one",
        )
    return None


def library() -> Path:
    """The library, built where it is not there. Raises CannotBuild."""
    wrong = hindrance()
    if wrong is not None:
        raise CannotBuild(*wrong)
    found = built()
    return found if found is not None else _build()


def _compiler() -> str | None:
    return next((path for name in _COMPILERS if (path := shutil.which(name)) is not None), None)


def _build() -> Path:
    target = folder()
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        made = Path(tempfile.mkdtemp(prefix=".building-", dir=target.parent))
    except OSError as error:
        raise CannotBuild(
            f"{target.parent} can't be written ({error})", "grant the right, or set XDG_CACHE_HOME"
        ) from error
    try:
        compile_to(made / _LIBRARY)
        manifest = {
            "file_format_version": "1.2.0",
            "layer": {
                "name": LAYER,
                "type": "GLOBAL",
                "library_path": str(target / _LIBRARY),
                "api_version": "1.4.0",
                "implementation_version": "1",
                "description": "records when frames are presented",
            },
        }
        (made / MANIFEST).write_text(json.dumps(manifest, indent=1), encoding="utf-8")
        made.chmod(0o755)
        if target.exists() and built() is None:
            shutil.rmtree(target)  # half of one, or not ours
        try:
            made.rename(target)
        except OSError:
            if built() is None:  # else another run was quicker
                raise
    except OSError as error:
        raise CannotBuild(f"{target} can't be made ({error})", "look at the folder's rights") from error
    finally:
        shutil.rmtree(made, ignore_errors=True)
    return target / _LIBRARY


def compile_to(path: Path) -> None:
    """Compile the library to that path. Raises CannotBuild."""
    compiler = _compiler()
    if compiler is None:
        raise CannotBuild("there is no C compiler", INSTALL)
    sources = [str(source) for source in sorted(SOURCES.glob("*.c"))]
    words = [compiler, *_FLAGS, "-o", str(path), *sources, "-ldl", "-lpthread"]
    environment = {**os.environ, "LC_ALL": "C"}
    try:
        run = subprocess.run(
            words, capture_output=True, text=True, timeout=_COMPILE_S, env=environment, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise CannotBuild(f"{compiler} could not be run ({error})", INSTALL) from error
    if run.returncode != 0:
        said = " / ".join(run.stderr.strip().splitlines()[:3])[:400]
        headers = "; the C library's headers seem to be missing" if "No such file" in run.stderr else ""
        raise CannotBuild(f"{compiler} could not compile the capture{headers}: {said}", INSTALL)


def _is_ours(path: Path) -> bool:
    """What is loaded into a title was written by this user or by root, and nobody else may write it."""
    if sys.platform == "win32":
        return False
    for one in (path, path / _LIBRARY, path / MANIFEST):
        stat = one.lstat()
        if stat.st_uid not in (0, os.geteuid()) or stat.st_mode & 0o022:
            return False
    return True
