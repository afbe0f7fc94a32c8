"""AMD cards as the kernel's driver shows and rules them, generation by generation.

Everything here is a fact read in Debian's linux-source 6.1 and 6.12, below ``drivers/gpu/drm/amd/pm``;
none of its code is. Values of clocks and voltages (:mod:`tests.machine.amd_generations`) are invented.

``pp_od_clk_voltage`` (amdgpu_pm.c, show 6.12:841, store 6.12:741; 6.1:834, 734): at most 127 bytes; first
letter ``s`` ``m`` ``p`` ``vc`` ``vo`` ``r`` ``c``, then whole numbers; whatever the generation refuses
comes out as EINVAL; EPERM while the card is being reset or the system suspends; reading and writing wake a
card that sleeps (``pm_runtime_get_sync``). Nothing to show is one empty line. The file is there with
overdrive switched on (``ppfeaturemask`` bit 0x4000, amd_shared.h 6.12:226), on processors with graphics
always (amdgpu_dpm.c, ``amdgpu_dpm_is_overdrive_supported``).

Table and commands, by engine (lines of what prints and what edits, in 6.12; in 6.1):

- smu7 (smu7_hwmgr.c:5154, 5619; 5145, 5610) and vega10 (vega10_hwmgr.c:4817, 5633; 4816, 5623): levels
  ``n: MHz mV``, triples ``s n MHz mV``. 6.1 takes a level that is not there, and does nothing. ``r`` acts
  at the next ``c``.
- vega20 (vega20_hwmgr.c:3494, 2966; 3487, 2959): ``s 0|1``, ``m 1``, three points ``vc n MHz mV``. ``r``
  reads the table back from the firmware (6.12:3134), so after a commit it may bring back what was
  committed.
- navi10 (navi10_ppt.c:1360, 2623; 1356, 2570): ``s 0|1``, ``m 1``, ``vc``; 0 mV on a point switches all
  three off; ``r`` acts at the next ``c`` (6.12:2712).
- sienna (sienna_cichlid_ppt.c:1370, 2273; 1357, 2223): ``s 0|1``, ``m 0|1``, ``vo`` without any range,
  shown or checked. ``r`` commits by itself (6.12:2404).
- smu13 (smu_v13_0_0_ppt.c:1364, 1602; 6.1: none, the table is empty and a write does nothing): as sienna,
  ``vo`` with a range, fan settings in ``gpu_od/fan_ctrl``. Each edit sets a bit of a mask; a commit that
  differs from the last one uploads what the mask names, and empties it (6.12:1920); ``r`` keeps the mask
  as it is (6.12:1893), so after a commit it uploads nothing.
- smu14 (smu_v14_0_2_ppt.c:1204, 2465; 6.1: no such card): as smu13, but ``s MHz`` is an offset of the
  clock, section OD_SCLK_OFFSET.
- apu (smu13/yellow_carp_ppt.c:1049, 642; 1010, 627): ``s 0|1`` only, at the performance level ``manual``
  only; another level puts the table back.
- vangogh (vangogh_ppt.c:681, 2008; 698, 1936): as apu, and ``p core 0|1 MHz``; sections OD_SCLK, OD_RANGE,
  then ``CCLK_RANGE in Core0``.

A limit above the maker's is part of the table with smu13 and smu14, and shown nowhere: it is uploaded when
it is set, with the mask, which is kept (smu_v13_0_0_ppt.c 6.12:3045; smu_v14_0_2_ppt.c 6.12:2771).

Power limit (amdgpu_pm.c store 6.12:3325, 6.1:2914): whole watts, the rest is cut off. Recent generations
check it against both ends (amdgpu_smu.c 6.12:2834), in 6.1 against the highest only (6.1:2391); older ones
against the highest only (amd_powerplay.c 6.12:975). ``power1_cap_min`` is 0 in 6.1 (amdgpu_pm.c 6.1:2830)
and for older generations in 6.12 (amd_powerplay.c, PP_PWR_LIMIT_MIN). Processors with graphics have no
limit but for Van Gogh, whose labels are ``slowPPT`` and ``fastPPT`` (amdgpu_pm.c 6.12:3310,
``hwmon_attributes_visible``); they alone have ``in1``, ``vddnb`` (6.12:3719).
"""

from __future__ import annotations

import errno
import os
from collections.abc import Mapping
from typing import Any

from tests.machine.amd_generations import GENERATIONS
from tests.machine.amd_print import FAN_FILES, FAN_RANGES, fan_text, metrics, table_text
from tests.machine.tree import State

#: Kernels that were read. "later" is one that answers EPERM for a sleeping card and does not wake it (from
#: memory).
KERNELS = ("6.1", "6.12")
_LEVELS = (
    "low", "high", "auto", "manual", "profile_exit", "profile_standard", "profile_min_sclk",
    "profile_min_mclk", "profile_peak", "perf_determinism",
)  # fmt: skip


def _invalid() -> OSError:
    return OSError(errno.EINVAL, os.strerror(errno.EINVAL))


def _not_permitted() -> OSError:
    return PermissionError(errno.EPERM, os.strerror(errno.EPERM))


class Card:
    """One AMD card.

    Args:
        generation: A name of :data:`GENERATIONS`.
        address: PCI address.
        number: Of its hwmon folder.
        kernel: ``6.1``, ``6.12``, or ``later``.
        overdrive: Whether the driver's overdrive is switched on.
    """

    def __init__(
        self,
        generation: str,
        address: str = "0000:03:00.0",
        number: int = 3,
        kernel: str = "6.12",
        overdrive: bool = True,
    ) -> None:
        self.generation = generation
        self.make = GENERATIONS[generation]
        self.address, self._number, self.kernel, self._overdrive = address, number, kernel, overdrive

    def description(self) -> tuple[str, list[Any]]:
        arguments = [self.generation, self.address, self._number, self.kernel, self._overdrive]
        return f"{__name__}:Card", arguments

    def home(self) -> str:
        return f"devices/pci0000:00/{self.address}"

    def links(self) -> Mapping[str, str]:
        folder = f"{self.home()}/hwmon/hwmon{self._number}"
        return {
            f"class/hwmon/hwmon{self._number}": folder,
            f"{folder}/device": self.home(),
            f"bus/pci/devices/{self.address}": self.home(),
            f"{self.home()}/driver": "bus/pci/drivers/amdgpu",
        }

    def first_state(self) -> State:
        table = self.boot()
        default_w = self.make.cap_w[1] if self.make.cap_w else 0
        return {
            "level": "auto",
            "cap_w": default_w,
            "table": dict(table),  # what the file shows: what was written, committed or not
            "user": dict(table),  # what the driver last uploaded
            "firmware": dict(table),  # what is in force; no file shows it
            "mask": [],
            "runtime": "active",
            "keep_awake": "auto",
            "in_reset": False,
            "throttled": 0,
            "load_pct": 0,
            "power_w": 20.0,
            "core_c": 45.0,
            "highest": {},  # the highest of each that was ever in force, for proofs that nothing was raised
        }

    def boot(self) -> dict[str, int]:
        """The table after boot: with the fan's settings, and the share of power above the maker's, where they
        are part of it."""
        own = dict(self.make.boot) | (dict(self.make.fan) if self.has_fan_files else {})
        return own | ({"ppt": 0} if self.make.engine in ("smu13", "smu14") and self.has_table else {})

    @property
    def has_table(self) -> bool:
        """The kernel's driver has commands for this generation's table."""
        return not (self.make.engine in ("smu13", "smu14") and self.kernel == "6.1")

    @property
    def has_table_file(self) -> bool:
        return self.make.apu or self._overdrive

    @property
    def has_fan_files(self) -> bool:
        return bool(self.make.fan) and self.has_table and self._overdrive

    # What it shows.

    def files(self, state: State) -> Mapping[str, str | bytes]:
        make, hwmon = self.make, f"hwmon/hwmon{self._number}"
        milli = round(state["core_c"] * 1000)
        mask = 0xFFF7BFFF | (0x4000 if self._overdrive else 0)
        files: dict[str, str | bytes] = {
            "vendor": "0x1002\n",
            "power/runtime_status": f"{state['runtime']}\n",
            "power/control": f"{state['keep_awake']}\n",
            "power_dpm_force_performance_level": f"{state['level']}\n",
            "gpu_busy_percent": f"{state['load_pct']}\n",
            "mem_info_vram_total": f"{make.memory_mib * 2**20}\n",
            "mem_info_vram_used": f"{100 * 2**20}\n",
            "../../../module/amdgpu/parameters/ppfeaturemask": f"{mask:#x}\n",
            f"{hwmon}/name": "amdgpu\n",
            f"{hwmon}/temp1_input": f"{milli}\n",
            f"{hwmon}/temp1_label": "edge\n",
            f"{hwmon}/freq1_input": f"{500 * 10**6}\n",
            f"{hwmon}/freq1_label": "sclk\n",
            f"{hwmon}/in0_input": "750\n",
            f"{hwmon}/in0_label": "vddgfx\n",
        }
        microwatts = f"{round(state['power_w'] * 1e6)}\n"
        # 6.1 has power1_average only; 6.12 whichever of the two the generation answers, see the module.
        averaged = self.kernel == "6.1" or make.engine not in ("smu7", "vega10")
        files[f"{hwmon}/power1_average" if averaged else f"{hwmon}/power1_input"] = microwatts
        files[f"{hwmon}/power1_label"] = "slowPPT\n" if make.engine == "vangogh" else "PPT\n"
        if make.cap_w:
            lowest, default, highest = make.cap_w
            lowest = 0 if self.kernel == "6.1" else lowest
            highest = highest if self._overdrive or make.apu else default
            for suffix, watts in (
                ("", state["cap_w"]),
                ("_min", lowest),
                ("_default", default),
                ("_max", highest),
            ):
                files[f"{hwmon}/power1_cap{suffix}"] = f"{watts * 1_000_000}\n"
        if make.apu:
            files |= {f"{hwmon}/in1_input": "700\n", f"{hwmon}/in1_label": "vddnb\n"}
        else:
            files |= {
                f"{hwmon}/freq2_input": f"{96 * 10**6}\n",
                f"{hwmon}/freq2_label": "mclk\n",
                f"{hwmon}/fan1_input": "700\n",
                f"{hwmon}/pwm1": "60\n",
                f"{hwmon}/pwm1_enable": "2\n",
            }
            if make.engine != "smu7":  # 6.12 hwmon_attributes_visible: not before GC 9.0
                files |= {
                    f"{hwmon}/temp2_input": f"{milli + 8000}\n",
                    f"{hwmon}/temp2_label": "junction\n",
                    f"{hwmon}/temp3_input": f"{milli + 2000}\n",
                    f"{hwmon}/temp3_label": "mem\n",
                }
        if self.has_table_file:
            files["pp_od_clk_voltage"] = (table_text(self.make, state) if self.has_table else "") or "\n"
        if self.has_fan_files:
            files |= {f"gpu_od/fan_ctrl/{name}": fan_text(state, name) for name in FAN_FILES}
        if make.metrics is not None:
            files["gpu_metrics"] = metrics(make.metrics, state["throttled"])
        return files

    # What it takes.

    def read(self, state: State, name: str) -> None:
        leaf = name.rsplit("/", 1)[-1]
        if not name.startswith(("power/", "..")) and leaf not in ("name", "vendor"):
            self._wake(state)

    def write(self, state: State, name: str, text: str) -> None:
        leaf = name.rsplit("/", 1)[-1]
        if name == "power/control":  # Documentation/ABI/testing/sysfs-devices-power
            if text.strip() not in ("auto", "on"):
                raise _invalid()
            state["keep_awake"] = text.strip()
            if text.strip() == "on":
                state["runtime"] = "active"
            return
        self._wake(state)
        if name == "power_dpm_force_performance_level":
            self._set_level(state, text)
        elif leaf == "power1_cap":
            self._set_cap(state, text)
        elif name == "pp_od_clk_voltage":
            self._edit(state, text)
        elif name.startswith("gpu_od/fan_ctrl/"):
            self._edit_fan(state, leaf, text)
        else:
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        for key, value in [*state["firmware"].items(), ("cap_w", state["cap_w"])]:
            if state["level"] == "low" and key in ("sclk.1", "mclk.1"):
                continue  # held at the lowest clocks: smu_v11_0.c 6.12, smu_v11_0_set_performance_level
            state["highest"][key] = max(value, state["highest"].get(key, value))

    def _wake(self, state: State) -> None:
        if state["in_reset"]:
            raise _not_permitted()
        if state["runtime"] == "suspended":
            if self.kernel == "later":
                raise _not_permitted()
            state["runtime"] = "active"

    def _set_level(self, state: State, text: str) -> None:
        level = next((level for level in _LEVELS if text.startswith(level)), None)
        if level is None or (level == "perf_determinism"):  # data-centre cards only
            raise _invalid()
        if level == "profile_exit" and not state["level"].startswith("profile"):  # amdgpu_dpm.c 6.12:1008
            raise _invalid()
        state["level"] = "auto" if level == "profile_exit" else level
        if self.make.engine in ("apu", "vangogh") and level != "manual":
            table = dict(self.make.boot)
            if level == "high":
                table["sclk.0"] = table["sclk.1"]
            elif level in ("low", "profile_min_sclk"):
                table["sclk.1"] = table["sclk.0"]
            state["table"], state["firmware"] = dict(table), dict(table)

    def _set_cap(self, state: State, text: str) -> None:
        if not self.make.cap_w or not text.strip().isdigit():
            raise _invalid()
        watts = int(text) // 1_000_000
        lowest, default, highest = self.make.cap_w
        highest = highest if self._overdrive or self.make.apu else default
        checks_lowest = self.kernel != "6.1" and self.make.engine not in ("smu7", "vega10", "vega20")
        if watts > highest or (checks_lowest and watts < lowest):
            raise _invalid()
        if "ppt" in state["table"] and watts:
            share = max(0, watts * 100 // default - 100)
            if share or state["cap_w"] > default:
                self._put(state, "ppt", share, "power")
                self._upload(state)
        state["cap_w"] = watts or (
            default if self.make.engine in ("smu7", "vega10", "vega20") else state["cap_w"]
        )

    def _edit(self, state: State, text: str) -> None:
        if not self.has_table_file:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))
        if not 0 < len(text) <= 127:
            raise _invalid()
        command = next((c for c in ("vc", "vo", "s", "m", "p", "r", "c") if text.startswith(c)), None)
        if command is None:
            raise _invalid()
        try:
            numbers = [int(word, 0) for word in text[len(command) :].split()]
        except ValueError:
            raise _invalid() from None
        if not self.has_table:
            return  # no such function in this kernel's driver: taken, and nothing happens
        if self.make.engine in ("apu", "vangogh") and state["level"] != "manual":
            raise _invalid()
        if command == "r":
            self._reset(state)
        elif command == "c":
            self._commit(state)
        else:
            self._set(state, command, numbers)

    def _set(self, state: State, command: str, numbers: list[int]) -> None:
        engine = self.make.engine
        if engine in ("smu7", "vega10"):
            self._set_levels(state, command, numbers)
        elif command == "vo":
            if "vo" not in self.make.boot or len(numbers) != 1:
                raise _invalid()
            if engine != "sienna" and not _within(numbers[0], self.make.ranges["VDDGFX_OFFSET"]):
                raise _invalid()
            self._put(state, "vo", numbers[0], "voltage")
        elif command == "vc":
            self._set_point(state, numbers)
        elif command == "s" and engine == "smu14":
            if len(numbers) != 1 or not _within(numbers[0], self.make.ranges["SCLK_OFFSET"]):
                raise _invalid()
            self._put(state, "sclk_offset", numbers[0], "core")
        elif command == "p":
            if engine != "vangogh" or len(numbers) != 3:
                raise _invalid()
            state["core"] = numbers[0]
            self._set_clock(state, "cclk", numbers[1:])
        else:
            self._set_clock(state, "sclk" if command == "s" else "mclk", numbers)

    def _set_clock(self, state: State, name: str, numbers: list[int]) -> None:
        engine, table = self.make.engine, state["table"]
        limits = self.make.ranges.get(name.upper())
        if limits is None or not numbers or len(numbers) % 2 or (self.make.apu and len(numbers) != 2):
            raise _invalid()
        for index, mhz in zip(numbers[::2], numbers[1::2], strict=True):
            key = f"{name}.{index}"
            if key not in self.make.boot:
                raise _invalid()
            low, high = limits
            if key == "sclk.1" and self.make.lowest_ceiling_mhz:
                low = self.make.lowest_ceiling_mhz
            if engine in ("apu", "vangogh"):
                low, high = (low, 10**6) if index == 0 else (0, high)
            if engine in ("navi10", "sienna") and f"{name}.{1 - index}" in table:
                other = table[f"{name}.{1 - index}"]
                if (index == 0 and mhz > other) or (index == 1 and mhz < other):
                    raise _invalid()
            # navi10's memory range is that of its one entry; sienna's shows the low end of entry 0
            if not _within(mhz, (low, high)):
                raise _invalid()
            self._put(state, key, mhz, "core" if name == "sclk" else "memory")
        if engine == "smu13" and table[f"{name}.0"] > table[f"{name}.1"]:
            raise _invalid()

    def _set_levels(self, state: State, command: str, numbers: list[int]) -> None:
        if command not in ("s", "m"):
            raise _invalid()
        name = "sclk" if command == "s" else "mclk"
        for start in range(0, len(numbers), 3):
            triple = numbers[start : start + 3]
            if len(triple) < 3 or f"{name}.{triple[0]}.mhz" not in self.make.boot:
                if self.kernel == "6.1":
                    return  # "invalid clock voltage input", and success
                raise _invalid()
            if not _within(triple[1], self.make.ranges[name.upper()]):
                raise _invalid()
            if not _within(triple[2], self.make.ranges["VDDC"]):
                raise _invalid()
        for start in range(0, len(numbers), 3):
            index, mhz, mv = numbers[start : start + 3]
            state["table"] |= {f"{name}.{index}.mhz": mhz, f"{name}.{index}.mv": mv}

    def _set_point(self, state: State, numbers: list[int]) -> None:
        if "vc.0.mhz" not in self.make.boot or len(numbers) < 3 or numbers[0] not in (0, 1, 2):
            raise _invalid()
        index, mhz, mv = numbers[:3]
        if not _within(mhz, self.make.ranges[f"VDDC_CURVE_SCLK[{index}]"]):
            raise _invalid()
        if self.make.engine == "navi10" and mv == 0:
            state["table"] |= {f"vc.{point}.mv": 0 for point in range(3)}
            return
        if not _within(mv, self.make.ranges[f"VDDC_CURVE_VOLT[{index}]"]):
            raise _invalid()
        state["table"] |= {f"vc.{index}.mhz": mhz, f"vc.{index}.mv": mv}

    def _edit_fan(self, state: State, leaf: str, text: str) -> None:
        words = text.split()
        if words[:1] == ["c"]:
            self._commit(state)
            return
        if words[:1] == ["r"]:
            for key, value in self.make.fan.items():
                if key.split(".")[0] == leaf:
                    self._put(state, key, value, "fan")
            self._commit(state)
            return
        try:
            numbers = [int(word, 0) for word in words]
        except ValueError:
            raise _invalid() from None
        if leaf == "fan_curve":
            if len(numbers) != 3 or not 0 <= numbers[0] < 5:
                raise _invalid()
            if not _within(numbers[1], (25, 100)) or not _within(numbers[2], (15, 100)):
                raise _invalid()
            self._put(state, f"fan_curve.{numbers[0]}.c", numbers[1], "fan")
            self._put(state, f"fan_curve.{numbers[0]}.pct", numbers[2], "fan")
        elif len(numbers) != 1 or not _within(numbers[0], FAN_RANGES[leaf][1:]):
            raise _invalid()
        else:
            self._put(state, leaf, numbers[0], "fan")

    def _put(self, state: State, key: str, value: int, feature: str) -> None:
        state["table"][key] = value
        if self.make.engine in ("smu13", "smu14") and feature not in state["mask"]:
            state["mask"].append(feature)

    def _reset(self, state: State) -> None:
        boot = self.boot()
        if self.make.engine == "vega20":
            boot = dict(state["firmware"])
        state["table"] = boot
        if self.make.engine in ("sienna", "smu13", "smu14"):
            self._commit(state)

    def _commit(self, state: State) -> None:
        engine, table = self.make.engine, state["table"]
        if engine in ("apu", "vangogh") and table["sclk.0"] > table["sclk.1"]:
            raise _invalid()
        if engine in ("smu7", "vega10", "vega20", "apu", "vangogh"):
            state["firmware"] = dict(table)
            return
        if table == state["user"]:
            return
        self._upload(state)
        state["mask"] = []
        state["user"] = dict(table)

    def _upload(self, state: State) -> None:
        for key, value in state["table"].items():
            if self.make.engine not in ("smu13", "smu14") or _feature(key) in state["mask"]:
                state["firmware"][key] = value


def lose_settings(card: Card, state: State) -> None:
    """What a reset of the card leaves: the maker's settings, at the level that was chosen.

    Source: outside of a suspend the tables start from the boot values and the user's are not restored
    (amdgpu_smu.c ``smu_restore_dpm_user_profile``: only ``in_suspend``; smu_v13_0_0_ppt.c 6.12:2190,
    ``set_default_od_settings``).
    """
    fresh = card.first_state()
    state |= {key: fresh[key] for key in ("cap_w", "table", "user", "firmware", "mask")}


def _feature(key: str) -> str:
    if key in ("vo", "ppt"):
        return {"vo": "voltage", "ppt": "power"}[key]
    if key.startswith("sclk"):
        return "core"
    return "memory" if key.startswith("mclk") else "fan"


def _within(value: int, limits: tuple[int, int]) -> bool:
    return limits[0] <= value <= limits[1]
