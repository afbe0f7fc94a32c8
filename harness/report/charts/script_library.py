"""The script library of the page's charts (Vega, Vega-Lite, Vega-Embed), as one text.

vl-convert puts it together in two seconds, the same for each of its versions; what it made is kept beside
Matplotlib's own cache, with its hash, for the next report. What is kept goes into every page, so it is used
only where nobody else could have written it.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import sys
import uuid
from functools import cache
from importlib.metadata import version
from pathlib import Path

import matplotlib as mpl

from harness import inside
from harness.errors import HarnessError


@cache
def bundle() -> str:
    """The library, fit to stand in a script element; empty where vl-convert is not installed."""
    try:
        import vl_convert
    except ImportError:
        return ""
    kept = Path(mpl.get_cachedir()) / f"levelrig-charts-{version('vl-convert-python')}.js"
    code = _whole(kept)
    if code is None:
        code = vl_convert.javascript_bundle(None)  # type: ignore[arg-type]  # None: the whole bundle
        with contextlib.suppress(OSError, HarnessError):  # without it the next report takes longer
            _keep(kept, f"{_hash(code)}\n{code}".encode())
    return code.replace("</script", "<\\/script").replace("<!--", "<\\!--")


def _whole(kept: Path) -> str | None:
    """What is kept; None where there is none, it is not as it was written, or others may have written it."""
    try:
        with inside.opened(kept.parent, kept) as file:
            if not _is_own(kept, os.fstat(file.fileno())):
                return None
            digest, _, code = file.read().decode().partition("\n")
    except (OSError, ValueError, HarnessError):
        return None
    return code if digest == _hash(code) else None


def _is_own(kept: Path, found: os.stat_result) -> bool:
    """This user or root wrote it, and nobody else may. Windows: it lies in the user's own folder."""
    if sys.platform == "win32":
        return kept.resolve().is_relative_to(Path.home().resolve())
    return found.st_uid in (0, os.geteuid()) and not found.st_mode & 0o022


def _keep(kept: Path, content: bytes) -> None:
    """Write it whole, for this user alone whatever the user's mask lets others do."""
    part = kept.with_name(f"{kept.name}.{uuid.uuid4().hex[:8]}.part")
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL
    try:
        with os.fdopen(inside.open_file(kept.parent, part, flags, 0o600), "wb") as file:
            file.write(content)
        inside.replace(kept.parent, part, kept)
    finally:
        with contextlib.suppress(OSError):
            inside.remove(kept.parent, part)


def _hash(code: str) -> str:
    return hashlib.sha256(code.encode()).hexdigest()
