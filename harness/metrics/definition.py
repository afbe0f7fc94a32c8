"""What a metric is: column, unit, formula, direction, where it is shown, in which words; one record each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from harness.columns import Column
from harness.metrics.inputs import Choices, Frames, Repeat, Telemetry, Value

Scale = Literal["ratio", "difference"]
Better = Literal["higher", "lower", "neither"]
Margin = Literal["pct", "k", "db", "own"]
Group = Literal["speed", "power", "temperature", "sound", "other"]
#: What a metric can stand for, where a table or sentence wants one of several.
Role = Literal["speed", "low", "power", "temperature", "sound"]
#: Where a metric is shown; the tables of results hold every one that was measured.
Place = Literal[
    "comparison-table",
    "comparison-chart",
    "campaigns-chart",
    "levels-table",
    "closing-table",
    "outlook",
    "drift",
    "second-look",
    "scatter",
]
Text = str | Callable[[Choices], str]

GROUPS: tuple[Group, ...] = ("speed", "power", "temperature", "sound", "other")


@dataclass(frozen=True, kw_only=True)
class Metric:
    """A figure of every repeat. At most one of the formulas is given.

    Attributes:
        name: Column of the tables of attempts and repeats, with its unit at the end.
        unit: Its unit; empty for none.
        meaning: What it is, in one line.
        label: What a reader calls it, as in the middle of a sentence.
        kind: Type of the column: a number, or a whole one.
        of_frames: Formula, from a run's frame times alone.
        of_telemetry: Formula, from the readings inside the window.
        of_repeat: Formula, from everything; evaluated after the others. Without a formula the part that
            measures (a title's score, a frame log's reader) gives the value under the metric's name.
        defined_by: What the plan chooses of its definition: ``one_percent_low``, or the column that tells of
            it; empty where nothing is chosen.
        reads: Quantities any one of which it can be taken from; none of frames and scores.
        at_end: Its column stands at the table's end, where columns of later versions are.
    """

    name: str
    unit: str
    meaning: str
    label: str = ""
    kind: Literal["float", "integer"] = "float"
    of_frames: Callable[[Frames], Value] | None = None
    of_telemetry: Callable[[Telemetry], Value] | None = None
    of_repeat: Callable[[Repeat], Value] | None = None
    defined_by: str = ""
    reads: tuple[str, ...] = ()
    at_end: bool = False

    def __post_init__(self) -> None:
        if not self.name.isidentifier():
            raise ValueError(f"metric {self.name!r}: name it as a column, letters, digits and _ only")
        if self.kind not in ("float", "integer"):
            raise ValueError(f"metric {self.name}: a metric is a number, of kind float or integer")
        if sum(f is not None for f in (self.of_frames, self.of_telemetry, self.of_repeat)) > 1:
            raise ValueError(f"metric {self.name}: more than one formula; keep the one that it is")

    @property
    def column(self) -> Column:
        """Its column in the tables of attempts and repeats."""
        return Column(self.name, self.kind, self.unit, self.meaning)


@dataclass(frozen=True, kw_only=True)
class ComparedMetric(Metric):
    """A metric on which profiles are compared.

    Attributes:
        scale: As a ratio (analysed on the log scale) or, where zero is arbitrary, as a difference.
        better: Which way is better. A plan's title may say otherwise of its score (``score_better``).
        up, down: Decision words for a higher and a lower value.
        says_up, says_down, says_same: Sentences with ``{p}`` (profile) and ``{r}`` (reference).
        margin: Which of the plan's margins decides ``same``; ``own`` is ``own_margin``.
        own_margin: Difference that counts as none, in the metric's unit.
        group: Heading under which tables list it.
        rank: Place within the group; those of one rank in the order of the columns.
        primary: It answers the question where the plan names no metrics of its own; else it describes.
        role: What it can stand for.
        role_rank: The lowest that was measured stands for it.
        paid_for: Whose power is paid, where it is a power; empty for other metrics.
        paid_rank: The lowest that was measured is paid.
        where: For a role of which there are several, which one it is (``of the card``).
        shown: Where it is shown besides the tables of results.
        live: How a cell of the live page tells its mean, as ``{:.1f} FPS``; empty: it is not there.
        headed: Heading of its column in the closing table; empty for its label.
        with_interval: The closing table shows its interval too.
        instruments: Quantities whose stated accuracy bears on it: proportional to the first, or for a
            difference a sum or difference of them.
        instrument_reads: Metric that holds the first instrument's reading; empty for its own value.
        sensed: Metric that holds the power which the card's own sensor gave, where this is made of it: what
            is known of that sensor's errors (:mod:`harness.analysis.sensed`) bears on this in proportion.
        assumed_scatter: Scatter of one pair where no pilot tells it: of the ln of the ratio, or in K or dB.
            Common practice, no source: a quiet machine at fixed resolution and a window of a minute.
        definition: Its definition on the page, as the plan chooses it; empty for its meaning.
        methods: The same for the methods paragraph, after "The … is"; empty to leave it out there.
        in_table: It is a column of its own; false for one that is made of others for the comparison.
    """

    scale: Scale
    better: Better
    up: str
    down: str
    says_up: str
    says_down: str
    says_same: str
    margin: Margin = "pct"
    own_margin: float = 0.0
    group: Group = "other"
    rank: int = 1
    primary: bool = False
    role: Role | None = None
    role_rank: int = 0
    paid_for: str = ""
    paid_rank: int = 0
    where: str = ""
    shown: frozenset[Place] = frozenset()
    live: str = ""
    headed: str = ""
    with_interval: bool = False
    instruments: tuple[str, ...] = ()
    instrument_reads: str = ""
    sensed: str = ""
    assumed_scatter: float | None = None
    definition: Text = ""
    methods: Text = ""
    in_table: bool = True

    def __post_init__(self) -> None:
        super().__post_init__()
        if not self.label:
            raise ValueError(f"metric {self.name}: give it a label, for it is compared")
        for text in (self.says_up, self.says_down, self.says_same):
            text.format(p="", r="")
        self.live.format(1.0)
        if self.margin == "own" and not self.own_margin > 0:
            raise ValueError(f"metric {self.name}: give it own_margin, the difference that counts as none")
        if (self.scale == "ratio") != (self.margin == "pct"):
            raise ValueError(f"metric {self.name}: a ratio has the margin pct, a difference k, db or own")

    @property
    def difference_unit(self) -> str:
        """Unit of a comparison: none for a ratio, K between temperatures, dB between levels."""
        if self.scale == "ratio":
            return ""
        return {"k": "K", "db": "dB"}.get(self.margin, self.unit)

    @property
    def heading(self) -> str:
        """Heading in the closing table."""
        return self.headed or self.label


def said(text: Text, choices: Choices) -> str:
    """A definition as the plan chooses it."""
    return text if isinstance(text, str) else text(choices)
