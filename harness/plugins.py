"""Loads plugins and builds a rig from them. Loading is explicit and idempotent per :class:`PluginHost`.

Each plugin is loaded, asked and called by itself. One that is broken is left out and named in
:attr:`PluginHost.broken`; a hook that raises costs that plugin's share only.
"""

from __future__ import annotations

import platform
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import partial
from importlib import metadata
from typing import TYPE_CHECKING, Any, cast

import pluggy
import psutil
from pydantic import BaseModel

from harness import titlefiles
from harness.boots import boot_identity
from harness.boundary import GuardedControl, GuardedSensor, cross, note_fault, printable, told
from harness.boundary.crossing import PASSING
from harness.boundary.fitness import plain_state
from harness.boundary.metrics import fit_metric
from harness.boundary.stages import guarded_stage
from harness.card import CardChoiceError, GraphicsCard, merged
from harness.clock import Aside, Clock, StillRunning, SystemClock
from harness.errors import ControlRefused, HarnessError, PluginError, WorkloadFailed
from harness.hookspecs import FittedCard, HarnessSpec, Kind, RehearsalRequest
from harness.metrics import METRICS, Metric
from harness.needs.need import Need
from harness.places import state_folder
from harness.plan.captured import READER as CAPTURE
from harness.plan.captured import way_of
from harness.plan.card_choice import as_plan_error, card_of_plan
from harness.plan.schema import Cell, Plan, SensorSpec
from harness.rig import Control, FrameLog, FrameLogSource, Rig, RigFacts, Sensor, Workload
from harness.rig_identity import read_machine_id, rig_id
from harness.stages import STAGES, AnyStage
from harness.tables import attempt_columns

if TYPE_CHECKING:
    import pyarrow as pa

    from harness.power_sensor.seam import PulseLoad

ENTRY_POINT_GROUP = "harness.plugins"
#: A plugin that takes longer to open its sensors is left out, s.
OPEN_WITHIN_S = 30.0


@dataclass(frozen=True)
class BrokenPlugin:
    """A plugin that is left out.

    Attributes:
        name: Its entry point, or the name it was given by.
        source: Distribution and version that it came with; empty where unknown.
        error: What is wrong with it.
    """

    name: str
    source: str
    error: str

    def __str__(self) -> str:
        origin = f" ({self.source})" if self.source else ""
        return f"plugin {self.name}{origin} is broken and left out: {self.error}; reinstall or uninstall it"


class PluginHost:
    """The loaded plugins and the kinds that they bring.

    Attributes:
        manager: Pluggy's own bookkeeping. Call hooks through this class: it keeps plugins apart.
        kinds: (role, name) -> kind.
        broken: Plugins that could not be loaded, or that broke their contract in loading.
        news: Hooks that failed since; whoever tells of them takes them out.
    """

    def __init__(self, plugins: Mapping[str, object] | None = None) -> None:
        """Load the installed plugins, or exactly the given ones (for tests)."""
        self.manager = pluggy.PluginManager("levelrig")
        self.manager.add_hookspecs(HarnessSpec)
        self.kinds: dict[tuple[str, str], Kind] = {}
        self.broken: list[BrokenPlugin] = []
        self.news: list[str] = []
        self._bringers: dict[tuple[str, str], object] = {}
        if plugins is None:
            for name, source, load in _entry_points():
                self._admit(name, source, load)
        else:
            for name, plugin in plugins.items():
                self._admit(name, "", partial(_given, plugin))

    # --- loading ------------------------------------------------------------------------------------------

    def _admit(self, name: str, source: str, load: Callable[[], object]) -> None:
        """Load one plugin, check its hooks and take its kinds; leave it out whole where any of it fails."""
        plugin: object = None
        registered = False
        try:
            plugin = load()
            if self.manager.is_registered(plugin):
                raise PluginError("it is there already, under another name")
            registered = True
            self.manager.register(plugin, name)
            self.manager.check_pending()
            brought = self._brought_by(plugin)
            stages = self._stages_of(plugin)
            self._learn_metrics(name, plugin, stages)
        except PASSING:
            raise
        except BaseException as error:
            note_fault(f"loading plugin {name}", error)
            self.broken.append(BrokenPlugin(name, source, _why(error)))
            if registered and self.manager.is_registered(plugin):
                self.manager.unregister(plugin)
            return
        for stage in stages:
            STAGES.add(stage)
        self.kinds |= brought
        self._bringers |= dict.fromkeys(brought, plugin)

    def _brought_by(self, plugin: object) -> dict[tuple[str, str], Kind]:
        """The kinds of one plugin. Raises PluginError where one is not fit, or is there already."""
        found: dict[tuple[str, str], Kind] = {}
        if not self._has("kinds", plugin):
            return found
        for kind in self._call("kinds", plugin) or ():
            _check_kind(kind)
            key = (kind.role, kind.name)
            if key in self.kinds or key in found:
                raise PluginError(f"another plugin brings the {kind.role} {kind.name!r} already")
            found[key] = kind
        return found

    def _stages_of(self, plugin: object) -> list[AnyStage]:
        """The stages of one plugin. Raises PluginError where one is not fit, or its key is taken."""
        if not self._has("levelrig_stages", plugin):
            return []
        found: list[AnyStage] = []
        for given in self._call("levelrig_stages", plugin) or ():
            stage = guarded_stage(given)
            if stage.key in [other.key for other in found]:
                raise PluginError(f"it brings two stages {stage.key!r}")
            found.append(stage)
        return found

    def _learn_metrics(self, name: str, plugin: object, stages: Sequence[AnyStage]) -> None:
        """Hand a plugin's metrics to the registry. Raises PluginError where one is not fit."""
        if not self._has("levelrig_metrics", plugin):
            return
        metrics: list[Metric] = list(self._call("levelrig_metrics", plugin) or ())
        own = {column.name for column in attempt_columns()} - {metric.name for metric in METRICS.added()}
        own |= {column.name for stage in stages for column in stage.columns()}
        for metric in metrics:
            if fit_metric(metric).name in own:
                raise PluginError(f"there is a column {metric.name!r} already; name the metric otherwise")
        try:
            METRICS.add(metrics, by=name)
        except ValueError as error:
            raise PluginError(str(error)) from error

    # --- looking up ---------------------------------------------------------------------------------------

    def names(self, role: str) -> list[str]:
        """Names of the kinds of one role, sorted."""
        return sorted(name for kind_role, name in self.kinds if kind_role == role)

    def kind(self, role: str, name: str) -> Kind:
        """Look a kind up. Raises PluginError with the nearest valid choice."""
        found = self.kinds.get((role, name))
        if found is None:
            near = get_close_matches(name, self.names(role), n=1) or self.names(role)
            known = ", ".join(near) or "none installed"
            raise PluginError(f"no {role} {name!r}; nearest: {known}{self._told()}")
        return found

    # --- hooks, each plugin by itself ---------------------------------------------------------------------

    def ask_each(
        self, hook: str, *, aside: Callable[[str], Aside] | None = None, **arguments: Any
    ) -> Iterator[tuple[str, Any]]:
        """Call a hook of every plugin that has it: (plugin's name, what it gave). None is left out.

        The plugin loaded last comes first. One that raises is left out, logged and told in :attr:`news`; so
        is one that does not answer, where ``aside`` says how to call it with a time limit.
        """
        for name, plugin in reversed(self.manager.list_name_plugin()):
            if plugin is None or not self._has(hook, plugin):
                continue
            try:
                call = partial(self._call, hook, plugin, **arguments)
                given = call() if aside is None else _in_time(aside(f"levelrig-{name}"), call)
            except PASSING:
                raise
            except BaseException as error:
                self.complain(name, hook, error)
                continue
            if given is not None:
                yield name, given

    def ask_all(
        self,
        hook: str,
        fits: Callable[[object], bool],
        *,
        aside: Callable[[str], Aside] | None = None,
        **arguments: Any,
    ) -> list[tuple[str, Any]]:
        """Call a hook that gives lists: (plugin's name, entry). Unfit entries are left out and told."""
        found: list[tuple[str, Any]] = []
        for name, given in self.ask_each(hook, aside=aside, **arguments):
            try:
                entries = list(given)
            except Exception as error:
                self.complain(name, hook, error)
                continue
            for entry in entries:
                try:
                    if not fits(entry):
                        raise PluginError(f"it gave {type(entry).__name__}, which is not what {hook} gives")
                except Exception as error:
                    self.complain(name, hook, error)
                else:
                    found.append((name, entry))
        return found

    def complain(self, plugin: str, hook: str, error: BaseException) -> None:
        """Log a plugin's failure and tell of it."""
        note_fault(f"{hook} of plugin {plugin}", error)
        self.news.append(f"plugin {plugin} failed in {hook}, and its share is missing: {_why(error)}")

    def _has(self, hook: str, plugin: object) -> bool:
        return any(impl.plugin is plugin for impl in getattr(self.manager.hook, hook).get_hookimpls())

    def _call(self, hook: str, plugin: object, **arguments: Any) -> Any:
        """Call a hook of one plugin. Raises what it raises."""
        for impl in getattr(self.manager.hook, hook).get_hookimpls():
            if impl.plugin is plugin:
                return impl.function(*(arguments[name] for name in impl.argnames))
        return None

    def _call_bringer(self, hook: str, role: str, name: str, **arguments: Any) -> Any:
        """Call a hook of the plugin that brings a kind, and of no other. Raises what it raises."""
        self.kind(role, name)
        return self._call(hook, self._bringers[role, name], **arguments)

    # --- what a rig is made of ----------------------------------------------------------------------------

    def graphics_cards(self) -> list[GraphicsCard]:
        """Every graphics card that a plugin sees, once, in order of address."""
        return merged([c for _, c in self.ask_all("graphics_cards", lambda c: isinstance(c, GraphicsCard))])

    def needs(self, plan: Plan) -> list[Need]:
        """What each plugin says that its entries of the plan need; one that fails says so itself."""
        found = self.ask_all("levelrig_needs", lambda given: isinstance(given, Need), plan=plan)
        told = [Need((), "doubtful", line, "see `levelrig doctor`") for line in self.news]
        self.news.clear()
        return [need for _, need in found] + told

    def open_sensors(
        self, clock: Clock, specs: Sequence[SensorSpec], card: GraphicsCard | None = None
    ) -> list[Sensor]:
        """Every plugin's sensors; one plugin's failure costs its own. Other cards' readings are left out."""
        found = self.ask_all(
            "open_sensors", _is_sensor, aside=clock.aside, clock=clock, specs=specs, card=card
        )
        return [GuardedSensor(sensor, card.device if card else None) for _, sensor in found]

    def open_control(self, kind: str, clock: Clock, card: GraphicsCard | None = None) -> GuardedControl:
        """The control of that kind, behind its boundary. Raises PluginError, ControlRefused."""

        def opened() -> Control:
            if kind == titlefiles.KIND:  # no plugin's: it puts files of titles back
                return titlefiles.FilesControl()
            control: Control | None = self._call_bringer(
                "open_control", "control", kind, kind=kind, clock=clock, card=card
            )
            if control is None:
                raise PluginError(f"control {kind!r} is listed but does not open; reinstall its plugin")
            return control

        return cross(
            f"control {kind}", ControlRefused, opened, lambda c: GuardedControl.around(c, kind, clock)
        )

    def open_workload(self, cell: Cell, clock: Clock, card: GraphicsCard | None = None) -> Workload:
        """One run of the cell's title. Raises PluginError."""
        kind = cell.title.workload
        workload: Workload | None = self._call_bringer(
            "open_workload", "workload", kind, kind=kind, cell=cell, clock=clock, card=card
        )
        if workload is None:
            raise PluginError(f"workload {kind!r} is listed but does not open; reinstall its plugin")
        return workload

    def open_pulse_load(self, clock: Clock, card: GraphicsCard) -> PulseLoad:
        """What makes that card work at given times. Raises WorkloadFailed: nothing can."""
        load: PulseLoad | None = self._ask_first("open_pulse_load", clock=clock, card=card)
        if load is None:
            raise WorkloadFailed(f"no installed plugin can make {card} work{self._told()}")
        return load

    def open_rehearsal(self, request: RehearsalRequest) -> Rig:
        """A rig on a virtual clock. Raises HarnessError: what the plugin says, or that there is none."""
        rig = self._ask_first("open_rehearsal", request=request)
        if rig is None:
            raise PluginError(f"no installed plugin offers a rehearsal; reinstall levelrig{self._told()}")
        return cast(Rig, rig)

    def fit_card_model(self, telemetry: pa.Table, name: str) -> FittedCard:
        """Fit a card's model to a curve. Raises HarnessError: what the curve lacks, or no plugin fits one."""
        fitted = self._ask_first("fit_card_model", telemetry=telemetry, name=name)
        if not isinstance(fitted, FittedCard):
            raise PluginError(f"no installed plugin fits a card's model; reinstall levelrig{self._told()}")
        return fitted

    def _ask_first(self, hook: str, **arguments: Any) -> Any:
        """What the first plugin that has something to give gives. Raises HarnessError, as that plugin did."""
        for name, plugin in reversed(self.manager.list_name_plugin()):
            try:
                given = None if plugin is None else self._call(hook, plugin, **arguments)
            except (HarnessError, *PASSING):
                raise
            except BaseException as error:
                self.complain(name, hook, error)
                continue
            if given is not None:
                return given
        return None

    def _told(self) -> str:
        """What is known of failed plugins, to be put at a message's end."""
        return "".join(f"; {line}" for line in (*self.broken, *self.news))

    def read_frame_log(self, source: FrameLogSource) -> FrameLog:
        """Read a frame log by its mapping. Raises PluginError, FrameLogError."""
        reader = source.spec.reader
        log: FrameLog | None = self._call_bringer("read_frame_log", "reader", reader, source=source)
        if log is None:
            raise PluginError(f"reader {reader!r} is listed but reads nothing; reinstall its plugin")
        return log


def _given(plugin: object) -> object:
    return plugin


def _is_sensor(value: object) -> bool:
    return isinstance(value, Sensor)


def _why(error: BaseException) -> str:
    """An error in one line, with the place of a mistake in the plugin's own text."""
    text = " ".join(told(error).split())
    return f"{text}, in {error.filename} line {error.lineno}" if isinstance(error, SyntaxError) else text


def _check_kind(kind: object) -> None:
    """Raises PluginError where it is not what :class:`harness.hookspecs.Kind` says."""
    if not isinstance(kind, Kind):
        raise PluginError(f"kinds gave {type(kind).__name__} where Kind belongs")
    whole = (
        kind.role in ("sensor", "control", "workload", "reader")
        and isinstance(kind.name, str)
        and kind.name != ""
        and isinstance(kind.summary, str)
        and isinstance(kind.changes_hardware, bool)
        and (kind.setting_options is None or isinstance(kind.setting_options, frozenset))
        and (kind.options is None or (isinstance(kind.options, type) and issubclass(kind.options, BaseModel)))
    )
    if not whole:
        raise PluginError(f"kinds gave one whose parts are not what Kind says: {printable(kind, 200)}")


def _entry_points() -> list[tuple[str, str, Callable[[], object]]]:
    """(name, source, how to load it) of every installed plugin: levelrig's own first, then by distribution.

    A distribution whose metadata can't be read is a plugin that can't be loaded only if it is told to be
    one, so it says nothing here.
    """
    found: dict[tuple[str, str], tuple[str, str, Callable[[], object]]] = {}
    for distribution in metadata.distributions():
        try:
            entries = distribution.entry_points.select(group=ENTRY_POINT_GROUP)
            owner = str(distribution.metadata["Name"] or "") if entries else ""  # slow to read
            for entry in entries:  # of two copies on the path the first counts, as in an import
                found.setdefault(
                    (owner.lower(), entry.name), (entry.name, f"{owner} {distribution.version}", entry.load)
                )
        except Exception as error:
            note_fault("reading an installed distribution's metadata", error)
    return [found[key] for key in sorted(found, key=lambda key: (key[0] != "levelrig", key))]


class PluginRig:
    """The real machine, through the installed plugins. See :class:`harness.rig.Rig`.

    Attributes:
        news: Plugins that are broken, and hooks that failed; whoever tells of them takes them out.
    """

    def __init__(self, host: PluginHost, plan: Plan, clock: Clock | None = None) -> None:
        self.clock: Clock = clock or SystemClock()
        self._host = host
        self._plan = plan
        self._controls: dict[str, Control] = {}
        self._card: GraphicsCard | None = None
        self.news = [str(plugin) for plugin in host.broken]

    def card(self) -> GraphicsCard | None:
        """The card of the plan; None where this machine has none. Raises CardChoiceError.

        Once it is found it stays the same, wherever it comes back in its driver's list.
        """
        if self._card is None:
            self._card = card_of_plan(self._plan, self._host.kinds, self._host.graphics_cards())
        return self._card

    def require_card(self, source: str) -> GraphicsCard | None:
        """The same for a command that is given the plan. Raises PlanError; its problem tells ``of_machine``
        where the card that the plan names is not here."""
        try:
            return self.card()
        except CardChoiceError as error:
            raise as_plan_error(source, error) from error

    def facts(self) -> RigFacts:
        try:
            card = self.card()
        except CardChoiceError as error:
            if not error.absent:
                raise
            card = None  # a card that is slow to wake up is waited for by whoever asks
        if card is not None and card.integrated and not self._controls:
            self._card = None  # a card beside it may still be waking up
        return machine_facts(self._host, card)

    def open_sensors(self) -> Sequence[Sensor]:
        wanted = self._plan.sampling.sensors
        opened = self._host.open_sensors(self.clock, list(self._plan.sensors), self.card())
        self.news += self._host.news
        self._host.news.clear()
        if wanted is None:
            return opened
        keep = [s for s in opened if _kind_of(s) in wanted]
        for sensor in opened:
            if sensor not in keep:
                sensor.close()
        return sorted(keep, key=lambda sensor: wanted.index(_kind_of(sensor)))

    def open_control(self, kind: str) -> Control:
        if kind not in self._controls:
            try:
                card = self.card()
            except CardChoiceError as error:
                if not error.absent:
                    raise
                return self._host.open_control(kind, self.clock)  # a restore goes by its snapshot alone
            self._controls[kind] = self._host.open_control(kind, self.clock, card)
        return self._controls[kind]

    def open_workload(self, cell: Cell) -> Workload:
        workload = self._host.open_workload(cell, self.clock, self.card())
        log = cell.title.frame_log
        if log is not None and log.reader == CAPTURE and (way := way_of(log.path)) is not None:
            from harness.capture.workload import Captured

            workload = Captured(workload, cell, way)
        if cell.title.steps:
            from harness.steps.stepped import Stepped

            workload = Stepped(workload, cell, self.clock)
        if not cell.title.companions:
            return workload
        from harness.companions import Accompanied

        return Accompanied(workload, cell, self.clock)

    def read_frame_log(self, source: FrameLogSource) -> FrameLog:
        return self._host.read_frame_log(source)


def _kind_of(sensor: Sensor) -> str:
    return sensor.name.split(":")[0]


def _in_time(aside: Aside, call: Callable[[], Any]) -> Any:
    """The call's result. Raises PluginError where it does not come in time; the call is left behind."""
    try:
        return aside.ask(call, OPEN_WITHIN_S)
    except StillRunning:
        raise PluginError(f"it did not answer within {OPEN_WITHIN_S:.0f} s") from None
    finally:
        aside.close()


def _power_sensor_of(card: GraphicsCard, facts: Mapping[str, Any]) -> dict[str, Any] | None:
    """What was measured of the card's power sensors, without the single loads; None where nothing was."""
    from harness.power_models import driver_of, known_model

    model = known_model(card.name, driver_of(facts, card.driver))
    return None if model is None else model.model_copy(update={"rungs": ()}).model_dump(mode="json")


def machine_facts(host: PluginHost, card: GraphicsCard | None = None) -> RigFacts:
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
    if card is not None:
        facts["card"] = card.facts()
    for plugin, given in host.ask_each("rig_facts", card=card):
        try:
            for name, values in plain_state(given).items():
                facts.setdefault(name, {}).update(values)
        except Exception as error:
            host.complain(plugin, "rig_facts", error)
    if card is not None and (model := _power_sensor_of(card, facts["card"])) is not None:
        facts["power_sensor"] = model
    machine = read_machine_id(state_folder())
    facts["system"]["identity_from"] = machine.source
    return RigFacts(
        rig_id=rig_id(machine, facts.get("card", {}).get("uuid")), boot_id=boot_identity(), facts=facts
    )


def _processor_model() -> str:
    try:
        with open("/proc/cpuinfo", encoding="utf-8", errors="replace") as file:  # noqa: PTH123
            for line in file:
                if line.startswith("model name"):
                    return line.split(":", 1)[1].strip()
    except OSError:
        pass
    return platform.processor() or "unknown"
