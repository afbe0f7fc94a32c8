"""The script library of the page's charts (Vega, Vega-Lite, Vega-Embed), as one text.

vl-convert puts it together in two seconds, the same for each of its versions; what it made is kept beside
Matplotlib's own cache, with its hash, for the next report.
"""

from __future__ import annotations

import contextlib
import hashlib
from functools import cache
from importlib.metadata import version
from pathlib import Path

import matplotlib as mpl

from harness.errors import HarnessError
from harness.report.files import write_bytes


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
            write_bytes(kept, f"{_hash(code)}\n{code}".encode())
    return code.replace("</script", "<\\/script").replace("<!--", "<\\!--")


def _whole(kept: Path) -> str | None:
    """What is kept; None where there is none, or not as it was written."""
    try:
        digest, _, code = kept.read_bytes().decode().partition("\n")
    except (OSError, ValueError):
        return None
    return code if digest == _hash(code) else None


def _hash(code: str) -> str:
    return hashlib.sha256(code.encode()).hexdigest()
