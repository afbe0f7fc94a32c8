"""What of the machine itself can't be read. What can, ``levelrig doctor`` measures by the sensor."""

from __future__ import annotations

import sys
from collections.abc import Sequence

from harness.hookspecs import Finding
from harness_plugins.host.sensor import read_clock_mhz, read_temp_c


def examine_host() -> Sequence[Finding]:
    """One line for each quantity that this system does not offer."""
    found = {"cpu_clock_mhz": read_clock_mhz(), "cpu_temp_c": read_temp_c()}
    why = "this system offers none (usual in virtual machines and containers)"
    if sys.platform == "win32":
        why = "Windows offers it to no program without a driver of its own; not measured"
    return [Finding(quantity, "absent", why) for quantity, value in found.items() if value is None]
