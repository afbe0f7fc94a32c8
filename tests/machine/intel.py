"""Intel cards and processor's graphics as the kernel's drivers show and rule them.

Facts read in Debian's linux-source 6.1 and 6.12, below ``drivers/gpu/drm``; none of its code. Watts and
clocks are invented.

- i915 has no hwmon in 6.1; from 6.2 on for cards only (6.12 i915_hwmon.c:875), DG1 and DG2: ``power1_max``,
  ``power1_rated_max``, ``energy1_input``, ``in0_input``, and in 6.12 ``fan1_input`` (809-830), no labels.
- xe is there from 6.8 on; hwmon for cards only (6.12 xe_hwmon.c:825). By ``xe_hwmon_get_reg`` (81-139): DG2
  has channel ``pkg`` alone (``power2_max``, ``power2_rated_max``, ``energy2_input``, ``in1_input``),
  Battlemage ``card`` and ``pkg``, without voltage, all of them labelled (750-767).
- A limit is kept in steps of 1/8 W, any value is taken, 0 switches it off where the chip can, and what is
  shown lies between the chip's least and most (xe_hwmon.c:141-219, i915_hwmon.c:367-446).
- The energy that is shown adds up a register of 32 bits of 2^-14 J: one that is lower than before counts as
  an overflow (xe_hwmon.c:259-284), also where the card was without power and the register began at 0.
- i915 clocks and reasons lie below ``drm/cardN/gt/gt0`` (gt/intel_gt_sysfs_pm.c, i915_sysfs.c:178 and
  gt/intel_gt_sysfs.c:95), reasons from the 11th generation on (6.1: 762, 6.12: 866); xe's below
  ``tile0/gt0/freq0`` (xe_gt_freq.c:36, xe_gt_throttle.c:17-29). Each file of a reason shows 0 or 1.
- Neither has a temperature up to 6.12.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Mapping
from typing import Any, NamedTuple

from tests.machine.tree import State

REASONS = ("pl1", "pl2", "pl4", "thermal", "prochot", "ratl", "vr_thermalert", "vr_tdc")


class Make(NamedTuple):
    """One chip.

    Attributes:
        device: PCI device number.
        discrete: It is a card.
        version: Generation of its graphics, as the driver counts them.
        watts: Least, most and the maker's limit; None where there is none.
        can_be_off: The limit can be switched off.
    """

    device: int
    discrete: bool
    version: int
    watts: tuple[int, int, int] | None = None
    can_be_off: bool = True


MAKES = {
    "skylake": Make(0x1912, False, 9),
    "tigerlake": Make(0x9A49, False, 12),
    "lunarlake": Make(0x64A0, False, 20),
    "dg1": Make(0x4905, True, 12, (12, 30, 25)),
    "alchemist": Make(0x56A0, True, 12, (95, 228, 190)),
    "battlemage": Make(0xE20B, True, 20, (60, 250, 190), can_be_off=False),
}


class Card:
    """One of them.

    Args:
        make: A name of :data:`MAKES`.
        driver: ``i915`` or ``xe``.
        kernel: ``6.1`` or ``6.12``.
        address: PCI address.
        number: Of its hwmon and drm folders.
    """

    def __init__(
        self, make: str, driver: str, kernel: str = "6.12", address: str = "0000:05:00.0", number: int = 5
    ) -> None:
        self.make_name, self.make = make, MAKES[make]
        self.driver, self.kernel, self.address, self._number = driver, kernel, address, number

    def description(self) -> tuple[str, list[Any]]:
        return f"{__name__}:Card", [self.make_name, self.driver, self.kernel, self.address, self._number]

    def home(self) -> str:
        return f"devices/pci0000:00/{self.address}"

    @property
    def scopes(self) -> tuple[int, ...]:
        """Numbers of the channels that it has: 1 the card, 2 the package."""
        if not self.make.discrete or self.make.watts is None or (self.driver, self.kernel) == ("i915", "6.1"):
            return ()
        if self.driver == "i915":
            return (1,)
        return (1, 2) if self.make_name == "battlemage" else (2,)

    def links(self) -> Mapping[str, str]:
        drm = f"{self.home()}/drm/card{self._number}"
        found = {
            f"class/drm/card{self._number}": drm,
            f"{drm}/device": self.home(),
            f"{self.home()}/driver": f"bus/pci/drivers/{self.driver}",
        }
        if self.scopes:
            folder = f"{self.home()}/hwmon/hwmon{self._number}"
            found |= {f"class/hwmon/hwmon{self._number}": folder, f"{folder}/device": self.home()}
        return found

    def first_state(self) -> State:
        rated = self.make.watts[2] if self.make.watts else 0
        return {
            "limit": {str(scope): rated * 8 for scope in self.scopes},  # 1/8 W; None: off
            "register": dict.fromkeys(map(str, self.scopes), 1 << 14),
            "seen": dict.fromkeys(map(str, self.scopes), 1 << 14),
            "energy": dict.fromkeys(map(str, self.scopes), 0),
            "clock_mhz": 600,
            "reasons": [],
            "fan_rpm": 1100,
        }

    def files(self, state: State) -> Mapping[str, str | bytes]:
        files: dict[str, str | bytes] = {"vendor": "0x8086\n", "device": f"{self.make.device:#06x}\n"}
        engine, status, prefix = (
            f"drm/card{self._number}/gt/gt0",
            "throttle_reason_status",
            "throttle_reason_",
        )
        clock = f"{engine}/rps_act_freq_mhz"
        if self.driver == "xe":
            engine, status, prefix = "tile0/gt0/freq0/throttle", "status", "reason_"
            clock = "tile0/gt0/freq0/act_freq"
        files[clock] = f"{state['clock_mhz']}\n"
        if self.make.version >= 11:
            files[f"{engine}/{status}"] = f"{int(bool(state['reasons']))}\n"
            files |= {f"{engine}/{prefix}{r}": f"{int(r in state['reasons'])}\n" for r in REASONS}
        if not self.scopes or self.make.watts is None:
            return files
        folder = f"hwmon/hwmon{self._number}"
        files[f"{folder}/name"] = f"{self.driver}\n"
        for scope in self.scopes:
            kept = state["limit"][str(scope)]
            least, most, rated = (watts * 1_000_000 for watts in self.make.watts)
            shown = 0 if kept is None else min(max(kept * 125_000, least), most)
            files[f"{folder}/power{scope}_max"] = f"{shown}\n"
            files[f"{folder}/power{scope}_rated_max"] = f"{rated}\n"
            energy_uj = state["energy"][str(scope)] * 1_000_000 >> 14
            files[f"{folder}/energy{scope}_input"] = f"{energy_uj}\n"
            if self.driver == "xe":
                label = f"{('card', 'pkg')[scope - 1]}\n"
                files |= {f"{folder}/{kind}{scope}_label": label for kind in ("power", "energy")}
        if self.driver == "i915":
            files |= {f"{folder}/in0_input": "870\n", f"{folder}/fan1_input": f"{state['fan_rpm']}\n"}
        elif self.make_name == "alchemist":
            files |= {f"{folder}/in1_input": "880\n", f"{folder}/in1_label": "pkg\n"}
        return files

    def read(self, state: State, name: str) -> None:
        """A look at the energy is what adds it up."""
        for scope in map(str, self.scopes):
            if name.endswith(f"energy{scope}_input"):
                now, before = state["register"][scope], state["seen"][scope]
                grown = now - before if now >= before else 0xFFFFFFFF - before + now
                state["energy"] = {**state["energy"], scope: state["energy"][scope] + grown}
                state["seen"] = {**state["seen"], scope: now}

    def write(self, state: State, name: str, text: str) -> None:
        for scope in map(str, self.scopes):
            if name.endswith(f"power{scope}_max"):
                try:
                    value = int(text)
                except ValueError:
                    raise OSError(errno.EINVAL, os.strerror(errno.EINVAL)) from None
                if value == 0 and not self.make.can_be_off:
                    raise OSError(errno.EOPNOTSUPP, os.strerror(errno.EOPNOTSUPP))
                state["limit"][scope] = None if value == 0 else round(value / 125_000) & 0x7FFF
                return
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))


def spend(state: State, joules: float) -> None:
    """The card uses energy."""
    for scope in state["register"]:
        state["register"][scope] = (state["register"][scope] + round(joules * (1 << 14))) & 0xFFFFFFFF


def lose_power(state: State) -> None:
    """The card was without power for a moment: its registers begin again, its limit is the maker's."""
    state["register"] = dict.fromkeys(state["register"], 0)
