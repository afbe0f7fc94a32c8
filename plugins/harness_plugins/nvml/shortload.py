"""A short, light load on one card, so that its clock shows.

``python -m harness_plugins.nvml.shortload ADDRESS SECONDS``. A process of its own, since a driver can take
its process with it. It uses the driver's own compute library, which every driver brings, and lets one thread
of the card count time. Exit codes: 0 done, 3 there is no such library, 4 the driver refused; the last line
says why.

Source: CUDA Driver API reference (``cuInit``, ``cuDeviceGetByPCIBusId``, ``cuCtxSetCurrent``,
``cuModuleLoadData``, ``cuLaunchKernel``, ``cuCtxSynchronize``) and PTX ISA (``%globaltimer``, nanoseconds).
"""

from __future__ import annotations

import ctypes
import sys
import time
from typing import Any

#: One launch; short, so that the display of the same card stays usable.
_SPIN_NS = 20_000_000
_PTX = b"""
.version 6.0
.target sm_50
.address_size 64
.visible .entry spin(.param .u64 length_ns)
{
    .reg .pred %p;
    .reg .b64 %begin, %now, %gone, %length;
    ld.param.u64 %length, [length_ns];
    mov.u64 %begin, %globaltimer;
again:
    mov.u64 %now, %globaltimer;
    sub.u64 %gone, %now, %begin;
    setp.lt.u64 %p, %gone, %length;
    @%p bra again;
    ret;
}
\0"""


class Refused(Exception):
    """The driver refused a call."""


def main(words: list[str] | None = None) -> int:
    """The process. Returns its exit code."""
    address, seconds = (words or sys.argv[1:])[:2]
    name = "nvcuda.dll" if sys.platform == "win32" else "libcuda.so.1"
    try:
        library = ctypes.CDLL(name)
    except OSError as error:
        print(f"{name} can't be loaded ({error})")
        return 3
    try:
        _spin(library, address, float(seconds))
    except Refused as error:
        print(error)
        return 4
    return 0


def _spin(library: Any, address: str, seconds: float) -> None:
    def call(function: str, *arguments: Any) -> None:
        code = getattr(library, function)(*arguments)
        if code != 0:
            raise Refused(f"{function} answered {code}")

    device, context, module, kernel = ctypes.c_int(), ctypes.c_void_p(), ctypes.c_void_p(), ctypes.c_void_p()
    call("cuInit", ctypes.c_uint(0))
    call("cuDeviceGetByPCIBusId", ctypes.byref(device), ctypes.c_char_p(address.encode()))
    call("cuDevicePrimaryCtxRetain", ctypes.byref(context), device)
    call("cuCtxSetCurrent", context)
    call("cuModuleLoadData", ctypes.byref(module), ctypes.c_char_p(_PTX))
    call("cuModuleGetFunction", ctypes.byref(kernel), module, ctypes.c_char_p(b"spin"))
    length = ctypes.c_ulonglong(_SPIN_NS)
    arguments = (ctypes.c_void_p * 1)(ctypes.cast(ctypes.byref(length), ctypes.c_void_p))
    ones = [ctypes.c_uint(1)] * 6
    print("ready", flush=True)
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        call("cuLaunchKernel", kernel, *ones, ctypes.c_uint(0), None, arguments, None)
        call("cuCtxSynchronize")


if __name__ == "__main__":
    sys.exit(main())
