"""The boundary at every seam: what comes from outside is turned into the seam's own error, whatever it is.

A title, sensor, control, workload or reader may raise anything, or return anything. :func:`behind_boundary`
puts a wrapper around a rig; all that the rig opens comes out wrapped as well, so nobody who uses it has to
think of this. Behind the wrappers each seam raises what :mod:`harness.rig` says it may, and nothing else:

======== ==================================================================================================
seam     raises
======== ==================================================================================================
rig      ``open_workload`` WorkloadFailed, ``open_control`` ControlRefused, ``read_frame_log`` FrameLogError,
         ``facts`` PluginError, ``open_sensors`` nothing (what does not open is left out and told in ``news``)
sensor   ``channels`` and ``read`` SensorUnavailable; ``close`` nothing
workload ``start``, ``poll``, ``stop``, ``score`` WorkloadFailed; ``frame_log`` FrameLogError; else nothing
control  ControlRefused
======== ==================================================================================================

A call that never returns is left behind and raises the same (:mod:`harness.boundary.patience`); what a
workload takes long for goes on beside everything else, so that the limits are watched meanwhile.

What the engine makes of it (``Driver._try``; tracebacks go to ``log.jsonl`` as ``fault``). Nothing but the
store, or a card that can't be put back, ends a night:

========================================================== ================================================
what fails                                                 becomes
========================================================== ================================================
a control or its opening                                   failed, ``profile-refused``
a workload: opening, start, first polls; later             failed, ``launch-failed``; ``workload-failed``
a frame log, its reader, its alignment; a score            rejected, ``frame-log``; ``score``
a check                                                    rejected, ``check-failed``
our own code over what an attempt left                     failed, ``program-fault``
an error with ``permanent``                                the same code with ``-permanent``; cell set aside
a restore between two profiles                             ends the night, exit 4 (5 if not restored after)
sensors                                                    their readings
observers, live page, notifications                        their share of the telling
========================================================== ================================================

Two things pass: the user's own KeyboardInterrupt, and MachineDown, after which nothing runs any more.
"""

from harness.boundary.crossing import cross, note_fault, printable, told
from harness.boundary.patience import READ_LOG_LIMIT_S
from harness.boundary.wrappers import (
    GuardedControl,
    GuardedRig,
    GuardedSensor,
    GuardedWorkload,
    behind_boundary,
)

__all__ = [
    "READ_LOG_LIMIT_S",
    "GuardedControl",
    "GuardedRig",
    "GuardedSensor",
    "GuardedWorkload",
    "behind_boundary",
    "cross",
    "note_fault",
    "printable",
    "told",
]
