"""Programs on the card that are not part of the test, by name and by what they load.

Their number says nothing: a desktop keeps a dozen of them, which come and go. What a program loads says most;
where no source tells it, a program that was never there before tonight counts.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable, Mapping
from typing import Final

#: What puts the windows of all programs onto the screen: its load is the title's own doing, and differs from
#: title to title. By the names of Windows' own and of those that Linux distributions ship.
COMPOSITORS: Final = frozenset(
    {
        "dwm.exe", "xorg", "xwayland", "gnome-shell", "kwin_x11", "kwin_wayland", "mutter", "weston", "sway",
        "xfwm4", "cinnamon", "marco", "picom", "labwc", "hyprland",
    }
)  # fmt: skip

#: Name -> mean load of the card over the window, %; None where no source tells it.
Programs = Mapping[str, float | None]


class ProgramLooks:
    """Collects looks at the card's foreign programs between two takes."""

    def __init__(self) -> None:
        self._lock = threading.Lock()  # looks come from the sampler's thread
        self._count = 0
        self._sums: dict[str, float | None] = {}

    def add(self, seen: Iterable[tuple[str, float | None]]) -> None:
        """One look: each process's program and load, %; several of one name are one program."""
        found = list(seen)
        with self._lock:
            self._count += 1
            for name, load_pct in found:
                if load_pct is None:
                    self._sums.setdefault(name, None)
                else:
                    self._sums[name] = load_pct + (self._sums.get(name) or 0.0)

    def take(self) -> dict[str, float | None] | None:
        """What was seen since the last take, None without a look; absent at a look counts as 0 %."""
        with self._lock:
            count, sums = self._count, self._sums
            self._count, self._sums = 0, {}
        if not count:
            return None
        return {name: None if total is None else total / count for name, total in sums.items()}


def merged(looks: Iterable[Programs]) -> dict[str, float | None]:
    """What several sources saw. Where one tells loads, a program that it does not name loads nothing."""
    found: dict[str, float | None] = {}
    for programs in looks:
        for name, load_pct in programs.items():
            before = found.get(name)
            found[name] = load_pct if before is None else max(before, load_pct or 0.0)
    if any(load_pct is not None for load_pct in found.values()):
        return {name: load_pct or 0.0 for name, load_pct in found.items()}
    return found


def usual_with(usual: Programs | None, programs: Programs) -> dict[str, float | None]:
    """What is usual tonight, with one more window: each program at its least load, absent at 0 %."""
    if usual is None:
        return dict(programs)
    found: dict[str, float | None] = {}
    for name in {**usual, **programs}:
        known = [load for load in (usual.get(name, 0.0), programs.get(name, 0.0)) if load is not None]
        found[name] = min(known) if known else None
    return found


def excess(programs: Programs, usual: Programs | None) -> dict[str, float]:
    """Name -> how much more it loaded than is usual tonight, %.

    Those whose load is not told are left out, and those of :data:`COMPOSITORS`.
    """
    known = usual or {}
    more = {
        name: load_pct - (known.get(name) or 0.0)
        for name, load_pct in programs.items()
        if load_pct is not None and name.lower() not in COMPOSITORS
    }
    return {name: load_pct for name, load_pct in more.items() if load_pct > 0}


def newcomers(programs: Programs, usual: Programs | None) -> list[str]:
    """Programs whose load is not told and that were never on the card before; none at the first look."""
    if usual is None:
        return []
    return sorted(name for name, load_pct in programs.items() if load_pct is None and name not in usual)
