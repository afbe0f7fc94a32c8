"""Findings of ``levelrig doctor`` on the capture of frames."""

from __future__ import annotations

from harness.capture.build import built, folder, hindrance
from harness.hookspecs import Finding


def findings() -> list[Finding]:
    """Whether titles that write no frame log can be captured here."""
    wrong = hindrance()
    if wrong is not None:
        what, remedy = wrong
        return [Finding("capture of frames", "missing", what, remedy)]
    detail = f"built, in {folder()}" if built() else "will be built by the first title that needs it"
    return [
        Finding(
            "capture of frames",
            "ok",
            f"Vulkan, and OpenGL by GLX and EGL, in programs of 64 bit; {detail}",
        )
    ]
