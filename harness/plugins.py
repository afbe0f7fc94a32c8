"""Loads plugins and builds a rig from them. Loading is explicit and idempotent per :class:`PluginHost`."""

from __future__ import annotations

import platform
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Any

import pluggy
import psutil

from harness.clock import Clock, SystemClock
from harness.errors import PluginError
from harness.hookspecs import HarnessSpec, Kind
from harness.places import state_folder
from harness.plan.schema import Cell, Plan, SensorSpec
from harness.rig import Control, FrameLog, FrameLogSource, RigFacts, Sensor, Workload
from harness.rig_identity import read_machine_id, rig_id

ENTRY_POINT_GROUP = "harness.plugins"


class PluginHost:
    """The loaded plugins and the kinds that they bring."""

    def __init__(self, plugins: Mapping[str, object] | None = None) -> None:
        """Load the installed plugins, or exactly the given ones (for tests)."""
        self.manager = pluggy.PluginManager("levelrig")
        self.manager.add_hookspecs(HarnessSpec)
        if plugins is None:
            self._load_installed()
        else:
            for name, plugin in plugins.items():
                self.manager.register(plugin, name)
        self.manager.check_pending()
        self.kinds: dict[tuple[str, str], Kind] = {}
        for offered in self.manager.hook.kinds():
            for kind in offered:
                if (kind.role, kind.name) in self.kinds:
                    raise PluginError(
                        f"two plugins bring the {kind.role} {kind.name!r}; uninstall one of them"
                    )
                self.kinds[kind.role, kind.name] = kind

    def _load_installed(self) -> None:
        try:
            self.manager.load_setuptools_entrypoints(ENTRY_POINT_GROUP)
        except Exception as error:
            raise PluginError(f"a plugin can't be loaded ({error}); reinstall or uninstall it") from error

    def names(self, role: str) -> list[str]:
        """Names of the kinds of one role, sorted."""
        return sorted(name for kind_role, name in self.kinds if kind_role == role)

    def kind(self, role: str, name: str) -> Kind:
        """Look a kind up. Raises PluginError with the nearest valid choice."""
        found = self.kinds.get((role, name))
        if found is None:
            near = get_close_matches(name, self.names(role), n=1) or self.names(role)
            raise PluginError(f"no {role} {name!r}; nearest: {', '.join(near) or 'none installed'}")
        return found


class PluginRig:
    """The real machine, through the installed plugins. See :class:`harness.rig.Rig`."""

    def __init__(self, host: PluginHost, plan: Plan, clock: Clock | None = None) -> None:
        self.clock: Clock = clock or SystemClock()
        self._host = host
        self._plan = plan
        self._controls: dict[str, Control] = {}

    def facts(self) -> RigFacts:
        return machine_facts(self._host)

    def open_sensors(self) -> Sequence[Sensor]:
        wanted = self._plan.sampling.sensors
        specs: list[SensorSpec] = list(self._plan.sensors)
        opened = [
            sensor
            for group in self._host.manager.hook.open_sensors(clock=self.clock, specs=specs)
            for sensor in group or ()
        ]
        keep = [s for s in opened if wanted is None or s.name.split(":")[0] in wanted]
        for sensor in opened:
            if sensor not in keep:
                sensor.close()
        return keep

    def open_control(self, kind: str) -> Control:
        if kind not in self._controls:
            self._host.kind("control", kind)
            control = self._host.manager.hook.open_control(kind=kind, clock=self.clock)
            if control is None:
                raise PluginError(f"control {kind!r} is listed but does not open; reinstall its plugin")
            self._controls[kind] = control
        return self._controls[kind]

    def open_workload(self, cell: Cell) -> Workload:
        kind = cell.title.workload
        self._host.kind("workload", kind)
        workload: Workload | None = self._host.manager.hook.open_workload(
            kind=kind, cell=cell, clock=self.clock
        )
        if workload is None:
            raise PluginError(f"workload {kind!r} is listed but does not open; reinstall its plugin")
        return workload

    def read_frame_log(self, source: FrameLogSource) -> FrameLog:
        self._host.kind("reader", source.spec.reader)
        log: FrameLog | None = self._host.manager.hook.read_frame_log(source=source)
        if log is None:
            raise PluginError(
                f"reader {source.spec.reader!r} is listed but reads nothing; reinstall its plugin"
            )
        return log


def machine_facts(host: PluginHost) -> RigFacts:
    """Facts of this machine and of what the plugins add. See :mod:`harness.rig_identity` for the rig's id."""
    facts: dict[str, dict[str, Any]] = {
        "system": {
            "name": platform.system(),
            "release": platform.release(),
            "python": platform.python_version(),
        },
        "processor": {
            "model": _processor_model(),
            "architecture": platform.machine(),
            "logical_cpus": psutil.cpu_count(),
            "cores": psutil.cpu_count(logical=False),
        },
        "memory": {"total_mib": psutil.virtual_memory().total // 2**20},
    }
    for section in host.manager.hook.rig_facts():
        for name, values in (section or {}).items():
            facts.setdefault(name, {}).update(values)
    machine = read_machine_id(state_folder())
    facts["system"]["identity_from"] = machine.source
    return RigFacts(rig_id=rig_id(machine, facts.get("card", {}).get("uuid")), boot_id=boot_id(), facts=facts)


def boot_id() -> str:
    """Identity of the machine's present boot: the kernel's own where there is one, else the boot time."""
    try:
        with open("/proc/sys/kernel/random/boot_id") as file:  # noqa: PTH123
            return file.read().strip()
    except OSError:
        return f"boot-{psutil.boot_time():.0f}"


def _processor_model() -> str:
    try:
        with open("/proc/cpuinfo") as file:  # noqa: PTH123
            for line in file:
                if line.startswith("model name"):
                    return line.split(":", 1)[1].strip()
    except OSError:
        pass
    return platform.processor() or "unknown"
