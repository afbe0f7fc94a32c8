"""Every hook, each with its full contract. A plugin author needs this file and :mod:`harness.rig`.

A plugin is a module (or object) under the entry-point group ``harness.plugins`` that implements some of
these with ``@hookimpl``. A hook that has nothing to offer here (no such card, wrong system) returns None or
an empty list; it never raises for that. Importing a plugin must be cheap and must not touch a device.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import pluggy

from harness.card import GraphicsCard
from harness.clock import Clock
from harness.metrics import Metric
from harness.needs.need import Need as Need  # a part of the contract
from harness.plan.kinds import Kind as Kind  # a part of the contract
from harness.plan.schema import Cell, Plan, SensorSpec
from harness.plan.tunings import Tuning as Tuning  # a part of the contract
from harness.plan.tunings import TuningRange as TuningRange
from harness.rig import Control, FrameLog, FrameLogSource, Rig, Sensor, Workload
from harness.stages.stage import Stage

if TYPE_CHECKING:
    import pyarrow as pa

    from harness.power_sensor.seam import PowerSource, PulseLoad

hookspec = pluggy.HookspecMarker("levelrig")
hookimpl = pluggy.HookimplMarker("levelrig")


@dataclass(frozen=True)
class Finding:
    """One line of ``levelrig doctor``.

    Attributes:
        subject: What it is about (``card 0``, ``power limit``).
        state: ``ok``, ``absent`` (this device lacks it), ``missing`` (something to install or grant).
        detail: What was found, with units.
        remedy: What to do about it; empty when nothing is.
        measured: Figures such as ``{"period_ms": 100.0, "read_us": 310.0}``.
    """

    subject: str
    state: Literal["ok", "absent", "missing"]
    detail: str
    remedy: str = ""
    measured: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class RehearsalRequest:
    """What a rehearsal needs to know.

    Attributes:
        plan: The plan to rehearse.
        seed: Seed of everything random; same seed, same night.
        model_path: A fitted card model to use; None for the built-in card.
        options: Further settings of the simulated rig (faults, ambient), from the command line.
        options_from: Name and text of the file that they come from, so that a complaint has its line.
    """

    plan: Plan
    seed: int
    model_path: Path | None = None
    options: dict[str, Any] = field(default_factory=dict)
    options_from: tuple[str, str] = ("settings of the rehearsal", "")


@dataclass(frozen=True)
class FittedCard:
    """A card model fitted to a measured curve.

    Attributes:
        document: The model as JSON text, as :attr:`RehearsalRequest.model_path` takes it.
        summary: How well it follows the curve, in a sentence.
    """

    document: str
    summary: str


class HarnessSpec:
    """The hooks."""

    @hookspec
    def levelrig_stages(self) -> Sequence[Stage[Any]]:  # type: ignore[empty-body]
        """The stages that this plugin brings, each always the same object. Called once, at loading.

        A stage is a condition that an attempt waits for, with all that is said of it; see
        :mod:`harness.stages.stage`. Its ``key`` becomes a table of ``[conditions]``, for a stage in the title
        also one of titles and settings, and the stem of two columns of the attempts table. ``default`` is
        None, so that plans without that table are measured as before.

        Its methods are pure: no file, no device, no clock. They are called while a plan is read, a night is
        forecast and a report is written; a gate is asked several times a second, and is shown what
        ``looks_at`` names. A plugin that brings one that is not fit is left out whole.
        """

    @hookspec
    def kinds(self) -> Sequence[Kind]:  # type: ignore[empty-body]
        """The kinds that this plugin brings. Called once, at loading."""

    @hookspec
    def levelrig_metrics(self) -> Sequence[Metric]:  # type: ignore[empty-body]
        """The metrics that this plugin brings. Called once, at loading; :mod:`harness.metrics.definition`.

        The value comes from a formula of typed inputs (:mod:`harness.metrics.inputs`): the frames of the
        run, the readings inside the window, or all of the repeat. One that raises, or gives no finite
        number, leaves its value empty and marks the attempt.
        """

    @hookspec
    def graphics_cards(self) -> Sequence[GraphicsCard]:  # type: ignore[empty-body]
        """The graphics cards that this plugin can see on this machine, those that sleep too; reads only.

        One of them becomes the card of the plan (:mod:`harness.card`), and the hooks below that take ``card``
        are about that one alone. A plugin that names none of these arguments is called without it.
        """

    @hookspec
    def levelrig_needs(self, plan: Plan) -> Sequence[Need]:  # type: ignore[empty-body]
        """What the plan's entries of this plugin's kinds need of this machine, and whether it is there.

        Asked before a night, and by ``levelrig check``: programs, folders, patterns, files that lie where
        results should. Looks only: starts nothing, changes nothing, opens no device, takes under 2 s; whether
        sensors answer is asked by reading them. :mod:`harness.programs` and :mod:`harness.needs.titles` have
        what is common to such questions.

        Returns:
            What is missing or doubtful, with its place in the plan; empty where all is well.
        """

    @hookspec
    def open_sensors(  # type: ignore[empty-body]
        self, clock: Clock, specs: Sequence[SensorSpec], card: GraphicsCard | None
    ) -> Sequence[Sensor]:
        """Open this plugin's sensors that work on this machine.

        Args:
            clock: The rig's clock.
            specs: The plan's ``[[sensors]]`` entries of this plugin's kinds (options already validated).
            card: The card of the plan; None: there is none, so no sensor of a card is opened.
        Returns:
            Open sensors; empty where the machine has none.
        """

    @hookspec(firstresult=True)
    def open_control(self, kind: str, clock: Clock, card: GraphicsCard | None) -> Control | None:
        """Open the control of that kind; None if it is not this plugin's. Raises PluginError.

        ``card`` is the card of the plan, the only one that it may change. Without one, as in a restore after
        a crash, the control touches those cards only that the snapshot names.
        """

    @hookspec
    def tunings(self) -> Sequence[Tuning]:  # type: ignore[empty-body]
        """The cards of this machine that this plugin's controls can tune, each with its ranges.

        For ``levelrig new``, which offers them and refuses what lies outside. Reads only; under a second;
        empty where no such card is there. What a card does not offer is left out of its ranges.
        """

    @hookspec
    def factory_deviations(self, card: GraphicsCard | None) -> Sequence[str]:  # type: ignore[empty-body]
        """Sentences about tuning that can be seen to differ from the maker's state, each naming the device.

        Of the plan's card alone; without one, of every card.

        For the control ``factory``: "card 0: power limit is 250 W, factory 320 W". Reads only; under 50 ms;
        empty where nothing differs, where no device is there, and where it can't be known.
        """

    @hookspec(firstresult=True)
    def open_workload(
        self, kind: str, cell: Cell, clock: Clock, card: GraphicsCard | None
    ) -> Workload | None:
        """Make one run of the cell's title; None if the kind is not this plugin's.

        ``cell.workload_options`` has passed the kind's model. Nothing is started yet. ``card`` is the card to
        run on, where the workload can choose.
        """

    @hookspec(firstresult=True)
    def read_frame_log(self, source: FrameLogSource) -> FrameLog | None:
        """Read a frame log; None if ``source.spec.reader`` is not this plugin's. Raises FrameLogError."""

    @hookspec(firstresult=True)
    def open_rehearsal(self, request: RehearsalRequest) -> Rig | None:
        """A rig on a virtual clock that stands in for the real one; None if this plugin has none."""

    @hookspec(firstresult=True)
    def fit_card_model(self, telemetry: pa.Table, name: str) -> FittedCard | None:
        """Fit the card model of a rehearsal to a measured heating and cooling curve.

        Args:
            telemetry: Columns of ``harness.tables.TELEMETRY``: rest, load, rest again.
            name: What to call the card.
        Raises:
            HarnessError: The curve can't be fitted; the message says what it lacks.
        """

    @hookspec
    def power_sources(self, clock: Clock, card: GraphicsCard) -> Sequence[PowerSource]:  # type: ignore[empty-body]
        """The sources of that card's power, each as directly as its driver lets: for ``doctor --power``.

        Reads only. Empty where the card is not this plugin's; then its sensors' readings of power and energy
        are taken.
        """

    @hookspec(firstresult=True)
    def open_pulse_load(self, clock: Clock, card: GraphicsCard) -> PulseLoad | None:
        """What can make that card work at given times; None if this plugin can't. Starts nothing.

        Raises:
            WorkloadFailed: It could, but something is missing; the message has the remedy.
        """

    @hookspec
    def rig_facts(self, card: GraphicsCard | None) -> dict[str, dict[str, Any]]:  # type: ignore[empty-body]
        """Sections for ``rig.json`` (see :class:`harness.rig.RigFacts`). Must take under a second.

        The section ``card`` is the plan's card, with its ``uuid``; it comes from the plugin that drives it.
        """

    @hookspec
    def examine(self, clock: Clock) -> Sequence[Finding]:  # type: ignore[empty-body]
        """Findings for ``levelrig doctor``: what can be read, controlled and run. Reads only; under 10 s."""
