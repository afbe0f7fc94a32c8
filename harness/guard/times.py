"""How long whoever watches over the hardware waits. All of it stands here, since each must know the others.

A call of a control (apply, read back, restore) may take as long as it states (``longest_call_s``), at most
:data:`LONGEST_COMMAND_S` for each command that it runs. Meanwhile the engine gives signs of life from a
thread of its own, to the watch and to the journal, so that neither the watch nor a supervisor takes a long
call for a hang. The signs end when that time is over: a call that hangs is then found after
:data:`SILENT_S` by the watch.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

#: Longest time that a plan may allow one command of a control, seconds.
LONGEST_COMMAND_S: Final = 600.0
#: A call of a control that states no time of its own takes no longer, seconds.
CALL_S: Final = 120.0
#: Without a sign of life for this long the program counts as hung, and its watch puts the card back, seconds.
SILENT_S: Final = 300.0
#: A start or a restore waits this long for the watch of a run that has died, seconds.
HANDOVER_S: Final = 60.0
#: A run that ends waits this long for its watch, seconds.
CLOSING_S: Final = 30.0
#: Pauses between the tries to put the card back at the end of a night, seconds.
RESTORE_PAUSES_S: Final = (1.0, 4.0, 15.0, 60.0, 120.0)
_LONGEST_PAUSE_S: Final = 300.0


def growing_pauses_s() -> Iterator[float]:
    """1, 2, 4, … seconds, at most five minutes; without end."""
    pause_s = 1.0
    while True:
        yield pause_s
        pause_s = min(2 * pause_s, _LONGEST_PAUSE_S)
