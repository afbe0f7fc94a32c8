"""What an AMD card's files print; the sources stand in :mod:`tests.machine.amd`."""

from __future__ import annotations

import struct

from tests.machine.amd_generations import Generation
from tests.machine.tree import State

FAN_FILES = {
    "fan_curve": "OD_FAN_CURVE",
    "acoustic_limit_rpm_threshold": "OD_ACOUSTIC_LIMIT",
    "acoustic_target_rpm_threshold": "OD_ACOUSTIC_TARGET",
    "fan_target_temperature": "FAN_TARGET_TEMPERATURE",
    "fan_minimum_pwm": "FAN_MINIMUM_PWM",
}
FAN_RANGES = {
    "acoustic_limit_rpm_threshold": ("ACOUSTIC_LIMIT", 500, 3000),
    "acoustic_target_rpm_threshold": ("ACOUSTIC_TARGET", 500, 3000),
    "fan_target_temperature": ("TARGET_TEMPERATURE", 25, 105),
    "fan_minimum_pwm": ("MINIMUM_PWM", 15, 100),
}


def table_text(make: Generation, state: State) -> str:
    """``pp_od_clk_voltage``: sections SCLK, MCLK, VDDC_CURVE, VDDGFX_OFFSET, RANGE, CCLK."""
    engine, table = make.engine, state["table"]
    parts: list[str] = []
    wide = engine in ("vega20", "apu", "vangogh")  # these pad the clocks
    unit = "MHz" if engine == "smu7" else "Mhz"
    if engine in ("smu7", "vega10"):
        for name in ("sclk", "mclk"):
            parts.append(f"OD_{name.upper()}:\n")
            for index in _indices(make, name):
                mhz, mv = table[f"{name}.{index}.mhz"], table[f"{name}.{index}.mv"]
                parts.append(f"{index}: {mhz:10d}{unit} {mv:10d}mV\n")
    elif engine == "smu14":
        parts.append(f"OD_SCLK_OFFSET:\n{table['sclk_offset']}Mhz\n")
        parts.append(f"OD_MCLK:\n0: {table['mclk.0']}Mhz\n1: {table['mclk.1']}MHz\n")
    else:
        for name in ("sclk", "mclk"):
            lines = [
                f"{index}: {table[key]:10d}Mhz\n"
                if wide
                else f"{index}: {table[key]}{'MHz' if key == 'mclk.1' else 'Mhz'}\n"
                for index in (0, 1)
                if (key := f"{name}.{index}") in table
            ]
            if lines:
                parts += [f"OD_{name.upper()}:\n", *lines]
    if "vc.0.mhz" in table:
        parts.append("OD_VDDC_CURVE:\n")
        for index in range(3):
            mhz, mv = table[f"vc.{index}.mhz"], table[f"vc.{index}.mv"]
            parts.append(f"{index}: {mhz:10d}Mhz {mv:10d}mV\n" if wide else f"{index}: {mhz}MHz {mv}mV\n")
    if "vo" in table:
        parts.append(f"OD_VDDGFX_OFFSET:\n{table['vo']}mV\n")
    parts.append("OD_RANGE:\n")
    for name, (low, high) in make.ranges.items():
        if name == "VDDC" or "VOLT" in name:
            parts.append(f"{name}: {low:7d}mV {high:11d}mV\n")
        elif name == "VDDGFX_OFFSET":
            parts.append(f"{name}: {low:7d}mv {high:10d}mv\n")
        else:
            shown = "MHz" if engine in ("smu7", "vega10") else "Mhz"
            parts.append(f"{name}: {low:7d}{shown} {high:10d}{shown}\n")
    if "cclk.0" in table:
        parts.append(f"CCLK_RANGE in Core{state.get('core', 0)}:\n")
        parts += [f"{index}: {table[f'cclk.{index}']:10d}Mhz\n" for index in (0, 1)]
    return "".join(parts)


def fan_text(state: State, name: str) -> str:
    """A file of ``gpu_od/fan_ctrl``."""
    table = state["table"]
    if name == "fan_curve":
        points = [f"{i}: {table[f'fan_curve.{i}.c']}C {table[f'fan_curve.{i}.pct']}%\n" for i in range(5)]
        ranges = "FAN_CURVE(hotspot temp): 25C 100C\nFAN_CURVE(fan speed): 15% 100%\n"
        return f"OD_FAN_CURVE:\n{''.join(points)}OD_RANGE:\n{ranges}"
    label, low, high = FAN_RANGES[name]
    return f"{FAN_FILES[name]}:\n{table[name]}\nOD_RANGE:\n{label}: {low} {high}\n"


def _indices(make: Generation, name: str) -> list[int]:
    return sorted(
        {int(key.split(".")[1]) for key in make.boot if key.startswith(f"{name}.") and key.endswith("mhz")}
    )


def metrics(revision: tuple[int, int], throttled: int) -> bytes:
    """``gpu_metrics`` with nothing in it but the throttle status.

    Source: ``drivers/gpu/drm/amd/include/kgd_pp_interface.h`` 6.12:480 (v1_0), 653 (v1_3), 930 (v2_1), 1033
    (v2_3).
    """
    sizes = {(1, 0): 80, (1, 3): 120, (2, 1): 120, (2, 3): 152}  # sizeof, by a C compiler
    places = {(1, 3): 112, (2, 3): 120}  # offsetof(indep_throttle_status)
    data = bytearray(b"\xff" * sizes[revision])
    struct.pack_into("<HBB", data, 0, len(data), *revision)
    if revision in places:
        struct.pack_into("<Q", data, places[revision], throttled)
    return bytes(data)
