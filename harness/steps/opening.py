"""Opens the desk of this session.

Libraries for input fail at their import where there is no display, so each is imported when a desk is opened.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping

from harness.steps.desk import WAYLAND, Desk, NoDesk, missing_library


def open_desk(environment: Mapping[str, str] | None = None) -> Desk:
    """The desk of this session. Raises NoDesk with what to do."""
    names = os.environ if environment is None else environment
    if sys.platform == "win32":
        from harness.steps.windows import WindowsDesk

        return WindowsDesk()
    display = names.get("DISPLAY", "")
    if not display:
        if names.get("WAYLAND_DISPLAY"):
            raise NoDesk(WAYLAND, permanent=True)
        raise NoDesk(
            "no display: DISPLAY is not set; start levelrig inside the session in which the titles run, or "
            "set DISPLAY and, where it is another user's, XAUTHORITY",
            permanent=True,
        )
    try:
        from harness.steps.x11 import X11Desk

        return X11Desk(display)  # which loads the libraries
    except ImportError as error:
        raise NoDesk(missing_library(error), permanent=True) from error
