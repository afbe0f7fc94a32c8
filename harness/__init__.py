"""levelrig: is a tuned graphics card really as good as the factory setting?"""

import sys

if sys.argv[:1] == ["-m"]:
    # `python -m harness…`: Python has put the working folder in front of all others. A `statistics.py` that
    # lies there is not ours to import, as root where this runs as root. Unless levelrig itself lies there.
    from pathlib import Path

    if not sys.flags.safe_path and Path(sys.path[0]).resolve() != Path(__file__).resolve().parent.parent:
        del sys.path[0]

from importlib.metadata import version

__version__ = version("levelrig")
