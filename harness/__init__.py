"""levelrig: is a tuned graphics card really as good as the factory setting?"""

import sys

if sys.argv[:1] == ["-m"]:
    # `python -m harness…`: Python has put the working folder in front of all others. A `statistics.py` that
    # lies there is not ours to import, as root where this runs as root. Unless levelrig itself lies there.
    from pathlib import Path

    if not sys.flags.safe_path and Path(sys.path[0]).resolve() != Path(__file__).resolve().parent.parent:
        del sys.path[0]


def __getattr__(name: str) -> str:
    """``__version__``, read when it is asked for: it takes longer than all the rest of a short command."""
    if name != "__version__":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib.metadata import version

    return version("levelrig")
