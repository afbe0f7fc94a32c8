"""Capture: levelrig's own record of the frames that a title presents, for titles that write no frame log.

**What counts as a frame.** One accepted present of the title's largest swapchain; its frame time is the time
from the present before to this one, by the rig's clock (``CLOCK_MONOTONIC``, which ``Clock.now_s`` is).

* A *present* is a call that hands an image to the system: ``vkQueuePresentKHR``, a swap call of GLX or EGL.
  One that the system refuses (a result below 0) is no frame; its time counts to the next one.
* A *swapchain* that is created again for the same window goes on as the same line of frames; so does a window
  that comes when another is gone. Where several present at the same time, the one of most pixels counts and
  the others are left out, with their count (:mod:`harness.capture.line`).
* A *generated* frame is presented like any other and counts as one: nothing at this place tells it apart.
  That presents came from more than one thread or queue, as generated frames often do, is noted.
* Presents that arrive *out of order* are put into the order of their calls, and counted.

**Which time.** The time of a frame is that of the call (``capture``), when the title handed the frame over,
not when a screen showed it; that of its display where the device offers it (``capture-display``); or that at
which the window system reported new content (``capture-window``). Each attempt's frame account and the report
say which.

How it comes about: ``build`` makes the native part, ``switch`` says by which variables it is switched on
for one process tree, ``native/`` records into rings, ``recorder`` empties these into one file, ``reading``
chooses the line (``line``) and hands it to the reader of all frame logs, ``workload`` ties this to a title.
``windows`` watches from outside, by ``x11``.

**Windows** is not built, as nobody could run it here. Its way is the system's documented event tracing: a
session of our own name, for the providers of graphics presents (``Microsoft-Windows-DXGI``, ``-D3D9`` and
``-DxgKrnl``), writes a raw ``.etl`` file during the window, with stamps of the performance counter, which is
the rig's clock there; the file is decoded after the window, so that nothing is parsed while the title runs.
A present's start event has process and swapchain: the frames are *presented* ones, by call time, and are
called so; only what the kernel's events of the same present say of its flip would be a time of display. The
seam is that of :class:`windows.WindowWatch`: given the log and a function that tells the title's processes,
it has ``start``, ``finish``, ``trouble``; decoding writes a :class:`recorder.CaptureLog`, and
:class:`workload.Capture` chooses it by system; everything after that log is the same. The session counts what
it lost (``EventsLost``: rows of kind ``lost``), and a rate of loss that could move a published figure rejects
the attempt, as unreadable rows do. A session that a killed run left is stopped by its name at the next start.
It needs the group *Performance Log Users* or an elevated run.

Nothing is drawn over the title, and nothing but the process tree that levelrig starts is touched. It is code
in another program's process all the same: never use it in an online title with a protection against such
code, which may bar the player's account.
"""

from __future__ import annotations

from harness.plan.captured import LOGS, READER, TIMES, Way, way_of

__all__ = ["LOGS", "READER", "TIMES", "Way", "way_of"]
