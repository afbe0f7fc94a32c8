"""What ``levelrig doctor`` says of the scenes."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Sequence

from harness.hookspecs import Finding
from harness_plugins.scene.options import SUMMARIES

_INSTALL = "pip install 'levelrig[gpu]'"


def examine_scenes() -> Sequence[Finding]:
    """The adapters are listed in a process of their own: a graphics driver can take its process with it."""
    names = ", ".join(SUMMARIES)
    on_processor = Finding("scenes, backend cpu", "ok", f"{names}: can run")
    words = [sys.executable, "-m", "harness_plugins.scene", "--adapters"]
    try:
        done = subprocess.run(
            words, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=8, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        return [on_processor, Finding(_GPU, "missing", f"the adapters can't be listed: {error}", _DRIVER)]
    return [on_processor, gpu_finding(done.returncode, done.stdout)]


_GPU = "scenes, backend gpu"
_DRIVER = "install the card's driver with Vulkan support"


def gpu_finding(exit_code: int, output: str) -> Finding:
    """What the listing means."""
    lines = [line for line in output.splitlines() if line.startswith(("card ", "program ", "error "))]
    cards = [line.removeprefix("card ") for line in lines if line.startswith("card ")]
    programs = [line.removeprefix("program ") for line in lines if line.startswith("program ")]
    if exit_code != 0:
        error = next((line.removeprefix("error ") for line in lines if line.startswith("error ")), "")
        detail = error or f"listing the adapters ended with exit code {exit_code}"
        return Finding(_GPU, "missing", detail, _INSTALL if "wgpu" in detail else _DRIVER)
    if cards:
        return Finding(_GPU, "ok", f"can run on {'; '.join(cards)}")
    if programs:
        return Finding(_GPU, "missing", f"no card, only a software driver: {'; '.join(programs)}", _DRIVER)
    return Finding(_GPU, "missing", "no graphics adapter was found", _DRIVER)
