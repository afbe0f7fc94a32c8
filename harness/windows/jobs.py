"""Windows: a title's processes in one job, which ends with its last handle, however the harness ends.

Source: learn.microsoft.com, "Job Objects", "SetInformationJobObject function",
"JOBOBJECT_EXTENDED_LIMIT_INFORMATION structure". What leaves the job by itself is allowed to, since a title
that may not would fail to start; it is found by its mark instead (:mod:`harness.marks`).
"""

from __future__ import annotations

import ctypes
from typing import Any, Final

from harness.windows.calls import WindowsCalls

#: Started so, a program runs nothing before it was put into its job.
CREATE_SUSPENDED: Final = 0x4
_EXTENDED_LIMITS: Final = 9
_KILL_ON_JOB_CLOSE: Final = 0x2000
_BREAKAWAY_OK: Final = 0x800
_SET_QUOTA_AND_TERMINATE: Final = 0x0100 | 0x0001


class ExtendedLimits(ctypes.Structure):
    """``JOBOBJECT_EXTENDED_LIMIT_INFORMATION`` on 64 bits: 144 bytes."""

    _fields_ = (
        ("process_time_limit", ctypes.c_int64),
        ("job_time_limit", ctypes.c_int64),
        ("limit_flags", ctypes.c_uint32),
        ("minimum_working_set", ctypes.c_size_t),
        ("maximum_working_set", ctypes.c_size_t),
        ("active_process_limit", ctypes.c_uint32),
        ("affinity", ctypes.c_size_t),
        ("priority_class", ctypes.c_uint32),
        ("scheduling_class", ctypes.c_uint32),
        ("io_counters", ctypes.c_uint64 * 6),
        ("process_memory_limit", ctypes.c_size_t),
        ("job_memory_limit", ctypes.c_size_t),
        ("peak_process_memory", ctypes.c_size_t),
        ("peak_job_memory", ctypes.c_size_t),
    )


class Job:
    """A job whose processes end when it is closed.

    Raises:
        OSError: The system makes none.
    """

    def __init__(self, calls: WindowsCalls) -> None:
        self._calls = calls
        self._handle: Any = calls("CreateJobObjectW", None, None)
        if not self._handle:
            raise OSError(f"no job object can be made (error {calls.last_error()})")
        limits = ExtendedLimits(limit_flags=_KILL_ON_JOB_CLOSE | _BREAKAWAY_OK)
        if not calls(
            "SetInformationJobObject", self._handle, _EXTENDED_LIMITS, ctypes.addressof(limits),
            ctypes.sizeof(limits),
        ):  # fmt: skip
            error = calls.last_error()
            self.close()
            raise OSError(f"a job object takes no limits (error {error})")

    def take(self, pid: int) -> bool:
        """Put a process into it, with all that it starts from now on; whether the system let it."""
        process = self._calls("OpenProcess", _SET_QUOTA_AND_TERMINATE, 0, pid)
        if not process:
            return False
        try:
            return bool(self._calls("AssignProcessToJobObject", self._handle, process))
        finally:
            self._calls("CloseHandle", process)

    def end(self) -> None:
        """End all its processes now."""
        if self._handle:
            self._calls("TerminateJobObject", self._handle, 1)

    def close(self) -> None:
        """Let go, which ends what is left in it. Safe to call twice."""
        if self._handle:
            self._calls("CloseHandle", self._handle)
            self._handle = None
