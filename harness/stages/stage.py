"""What a stage is: a condition that is waited for in an attempt, and everything that is said of it.

A stage is one object of a subclass of :class:`Stage`, in one file. The rest of the program asks these objects
and knows none by name. A stage from elsewhere comes through the hook ``levelrig_stages``.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, Generic, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from harness.columns import Column, F, S

if TYPE_CHECKING:
    from harness.stages.gate import Gate, Wait

#: What happens where a condition is not met in time: the attempt is thrown away, or goes on with a mark, or
#: the night ends.
Then = Literal["skip", "mark", "stop"]
#: Where in an attempt a stage stands. Titles and settings may have a rule of their own for one in the title.
Place = Literal["before-launch", "in-title"]
#: Phases of an attempt and of a night that are no stages; no stage may be called so.
PHASE_WORDS = frozenset(
    ("idle", "apply", "launch", "measure", "close", "ingest", "commit", "restore", "ended", "start", "window")
)
#: In :meth:`Stage.looks_at`: the quantity that the plan holds its conditions on.
TEMPERATURE = "temperature"
#: Notes an assumption of a forecast: seconds and what takes them, in words; gives the seconds back.
Assume = Callable[[float, str], float]


class Rule(BaseModel):
    """Base of a stage's plan table; frozen, no unknown keys, no NaN.

    Each key is named in ``BEARS`` (a change measures the cell again) or in ``APART`` (what was measured is
    kept; see :mod:`harness.plan.bearing`), units in the names.
    """

    model_config = ConfigDict(frozen=True, defer_build=True, extra="forbid", allow_inf_nan=False)
    APART: ClassVar[str] = "timeout_s then"

    timeout_s: float = Field(default=600, gt=0)
    then: Then = "mark"


R = TypeVar("R", bound=Rule)


@dataclass(frozen=True)
class Span:
    """A length of time: shortest, expected, longest, s."""

    shortest_s: float = 0.0
    expected_s: float = 0.0
    longest_s: float = 0.0

    def __add__(self, other: Span) -> Span:
        return Span(
            self.shortest_s + other.shortest_s,
            self.expected_s + other.expected_s,
            self.longest_s + other.longest_s,
        )

    @classmethod
    def fixed(cls, seconds: float) -> Span:
        """A length that is known."""
        return cls(seconds, seconds, seconds)

    @classmethod
    def between(cls, shortest_s: float, expected_s: float, longest_s: float) -> Span:
        """A length that is expected, kept between its bounds."""
        longest_s = max(shortest_s, longest_s)
        return cls(shortest_s, min(max(expected_s, shortest_s), longest_s), longest_s)


@dataclass(frozen=True)
class Complaint:
    """What is wrong with a rule that no single key can break, and what to do about it.

    Attributes:
        key: The key of the rule that it is about; None for the rule as a whole.
    """

    what: str
    remedy: str
    key: str | None = None


class Stage(ABC, Generic[R]):
    """One stage. What a subclass must state: ``key``, ``rule``, ``place``, :meth:`gate` and :meth:`says`.

    Attributes:
        key: Its table in the plan, and the stem of its columns (``warm_up``).
        rule: The model of that table.
        default: The rule of a plan without that table; None: such a plan has no such stage at all.
        place: Where in an attempt it stands.
        before: Key of the stage of the same place that it comes before; None: after all that are there.
        loads_card: When it is over the title is at work, so the profile is verified under load then.
        rig_decides: The rig decides how long it takes, not the plan.
    """

    key: str
    rule: type[R]
    default: R | None = None
    place: Place
    before: str | None = None
    loads_card: bool = False
    rig_decides: bool = True

    @property
    def word(self) -> str:
        """Its name on screens, in the telemetry's column ``phase`` and in the journal."""
        return word_of(self.key)

    @abstractmethod
    def gate(self, rule: R, wait: Wait) -> Gate:
        """A gate for one wait."""

    @abstractmethod
    def says(self, rule: R, temperature: str) -> str:
        """The rule in words, as the page prints it after the stage's name; ``none`` where it asks nothing.

        Args:
            rule: The rule.
            temperature: What to call the temperature that conditions are held on.
        """

    def methods(self, words: str) -> str:
        """Its clause in the methods paragraph, after "Before each repeat" or "each title".

        Args:
            words: The rule in words; where titles differ, with theirs.
        """
        return f"the {self.word} was waited for ({words})"

    def forecast(self, rule: R, assume: Assume) -> Span:
        """How long it will take; ``assume`` notes what that rests on. Default: anything up to the timeout."""
        return Span.between(0.0, assume(60.0, f"the {self.word} is over"), rule.timeout_s)

    def complaints(self, rule: R, limits: Mapping[str, Any]) -> Iterator[Complaint]:
        """What is wrong with a rule that is valid key by key; ``limits``: the plan's table of that name."""
        return iter(())

    def looks_at(self, rule: R) -> tuple[str, ...]:
        """Quantities that the rule goes by, :data:`TEMPERATURE` among them; an attempt needs them read."""
        return ()

    def watched_as(self, cell_id: str, warmed_by: str | None) -> str | None:
        """Name under which the thermal model learns how long such waits take; None: it does not. Names with
        the same first word are of one family.

        Args:
            cell_id: The cell that is waited for.
            warmed_by: The cell that warmed the rig before; None where none is known.
        """
        return None

    def stretched(self, rule: R, more_s: float) -> R:
        """The rule where an earlier attempt was unsteady and the plan says to extend: default unchanged."""
        return rule

    def start_limit_c(self, rule: R) -> float | None:
        """Temperature up to which it lets a title start, drawn in the chart of start conditions."""
        return None

    def remedy(self, rule: R, reached_c: float | None, ambient_c: float | None) -> str:
        """What helps where a rehearsal did not meet the rule in time.

        Args:
            rule: The rule.
            reached_c, ambient_c: Median temperatures at the start of the attempts that timed out.
        """
        return f"; ease conditions.{self.key} or lengthen its timeout_s"

    def columns(self) -> tuple[Column, ...]:
        """Its columns in the attempts table: how long it took, and what ended it."""
        return (
            Column(f"{self.key}_s", F, "s", f"length of the {self.word}"),
            Column(f"{self.key}_end", S, "", "what ended it"),
        )


def word_of(key: str) -> str:
    """The name of the stage with that key on screens and in tables."""
    return key.replace("_", "-")


def longer_than_timeout(key: str, value: float, timeout_s: float) -> Complaint:
    """The complaint where a rule's least wait is longer than its timeout."""
    return Complaint(
        f"{key} = {value:g} is longer than timeout_s = {timeout_s:g}",
        f"raise timeout_s above {value:g}, or lower {key}",
        key,
    )
