"""``[[titles.steps]]``: what a person would do at a title, step by step, and pictures that may come between.

A step is one wait or one act (:data:`WAITS`, :data:`ACTS`), or a point of the measurement (:data:`POINTS`).
Places are pixels from the upper left corner of the title's window. See :mod:`harness.steps`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, ClassVar, Final, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from harness.patterns import PatternText
from harness.plan.key_names import keys_of
from harness.plan.parts import Name, Part

WAITS: Final = ("window", "process", "line", "picture", "load_above_pct", "load_below_pct", "file", "wait_s")
ACTS: Final = ("press", "hold", "text", "move", "click", "command", "sequence")
POINTS: Final = ("ready", "begin", "end", "leave")
#: Words of ``then`` that are no sequence.
OUTCOMES: Final = ("fail", "go-on")
#: All that follows the window may take so long together, seconds; then the title is ended by force.
LEAVE_WITHIN_S: Final = 40.0

#: What steps leave in an attempt's folder: an account (JSON), output of their commands, and pictures of the
#: screen at its points; at a failure the whole screen, and the picture that was wanted.
ACCOUNT_NAME: Final = "steps.json"
COMMANDS_NAME: Final = "output.steps.log"
PICTURES: Final = ("ready", "begin", "end", "failed", "wanted")
STEP_FILES: Final = (ACCOUNT_NAME, COMMANDS_NAME, *(f"screen.{name}.png" for name in PICTURES))

Likeness = Annotated[float, Field(gt=0, le=100)]
Point = Annotated[list[int], Field(min_length=2, max_length=2)]
Area = Annotated[list[int], Field(min_length=4, max_length=4)]


def _chord(text: str) -> str:
    keys_of(text)
    return text


Chord = Annotated[str, AfterValidator(_chord)]

#: Key -> keys of the steps that it goes with.
_GOES_WITH: Final = {
    "gone": ("window", "process", "picture"),
    "in_file": ("line",),
    "at": ("picture",),
    "shift_px": ("picture",),
    "area": ("picture", "click"),
    "likeness_pct": ("picture", "click"),
    "for_s": ("hold",),
    "button": ("click",),
    "times": ("click", "press"),
}


class StepSpec(Part):
    """One step. In ``text``, ``command``, ``file`` and ``in_file`` a ``{name}`` stands for what it stands for
    in the title's own command."""

    BEARS: ClassVar[str] = "*"
    APART: ClassVar[str] = "within_s then likeness_pct shift_px only"

    window: PatternText | bool | None = Field(
        default=None, description="wait for a window of the title; its caption matches, or true: any"
    )
    process: str | None = Field(default=None, min_length=1, description="wait for a program of that name")
    line: PatternText | None = Field(default=None, description="wait for a line of its output, or `in_file`")
    in_file: str | None = Field(default=None, min_length=1, description="the log file of `line`")
    picture: str | None = Field(default=None, min_length=1, description="wait for this picture (PNG)")
    at: Point | None = Field(default=None, description="where its upper left corner is; default: anywhere")
    shift_px: int = Field(default=3, ge=0, le=500, description="how far from `at` it may be")
    area: Area | None = Field(default=None, description="look only there: x, y, width, height")
    likeness_pct: Likeness = Field(default=80.0, description="how like the picture it must be")
    gone: bool = Field(default=False, description="wait until it is not there")
    load_above_pct: float | None = Field(default=None, ge=0, lt=100, description="wait for load of the card")
    load_below_pct: float | None = Field(default=None, gt=0, le=100, description="wait for less load")
    file: str | None = Field(default=None, min_length=1, description="wait for a file that this run wrote")
    wait_s: float | None = Field(default=None, gt=0, le=86400, description="wait so long")
    press: Chord | list[Chord] | None = Field(default=None, description="keys, one after another")
    times: int = Field(default=1, ge=1, le=100, description="how often it is pressed or clicked")
    hold: Chord | None = Field(default=None, description="a key held down for `for_s`")
    for_s: float | None = Field(default=None, gt=0, le=86400, description="how long it is held")
    text: str | None = Field(default=None, min_length=1, max_length=1000, description="text to type")
    move: Point | None = Field(default=None, description="move the pointer there")
    click: Point | str | None = Field(default=None, description="click there, or on the middle of a picture")
    button: Literal["left", "middle", "right"] = "left"
    command: list[str] | None = Field(default=None, min_length=1, description="run a command to its end")
    sequence: str | None = Field(default=None, description="run the steps of that name")
    ready: Literal[True] | None = Field(default=None, description="the title is ready: its stages pass here")
    begin: Literal[True] | None = Field(default=None, description="the measured window begins")
    end: Literal[True] | None = Field(default=None, description="the measured window ends")
    leave: Literal["menu", "close", "end"] | None = Field(default=None, description="how the title is left")
    within_s: float = Field(default=30.0, gt=0, le=86400, description="how long it may take")
    then: str = Field(default="fail", description="what happens then: fail, go-on, or a sequence")
    only: list[str] | None = Field(
        default=None, min_length=1, description="settings that have this step; default: all"
    )

    @model_validator(mode="after")
    def _one_thing(self) -> Self:
        known = (*WAITS, *ACTS, *POINTS)
        said = [key for key in known if getattr(self, key) is not None]
        if len(said) != 1:
            found = f"says {' and '.join(said)}" if said else "says nothing that is waited for or done"
            raise ValueError(f"{found}; give it exactly one of: {', '.join(known)}")
        for key in sorted(self.model_fields_set & _GOES_WITH.keys()):
            if self.way not in _GOES_WITH[key]:
                raise ValueError(f"{key} goes with {' or '.join(_GOES_WITH[key])}, not with {self.way}")
        if self.window is False:
            raise ValueError("window = false waits for nothing; write window = true, gone = true")
        if (self.hold is None) != (self.for_s is None):
            raise ValueError("hold and for_s go together: which key, and how long it is held")
        if self.at is not None and self.area is not None:
            raise ValueError("at says where the picture is, and area where it is looked for; leave one out")
        if self.click is not None and self.area is not None and not isinstance(self.click, str):
            raise ValueError("area goes with a click on a picture")
        if self.area is not None and min(self.area[2:]) < 1:
            raise ValueError("area is x, y, width, height, with a width and a height above 0")
        if self.way in ("ready", "begin", "end", "wait_s") and "within_s" in self.model_fields_set:
            raise ValueError(
                f"within_s does not go with {self.way}, which happens at once or states its time"
            )
        return self

    @property
    def way(self) -> str:
        """The key that says what is waited for or done."""
        return next(key for key in (*WAITS, *ACTS, *POINTS) if getattr(self, key) is not None)

    @property
    def waits(self) -> bool:
        """It only looks; else it acts, or is a point of the measurement."""
        return self.way in WAITS

    @property
    def pictures(self) -> tuple[str, ...]:
        """Picture files that it needs."""
        click = (self.click,) if isinstance(self.click, str) else ()
        return (*(() if self.picture is None else (self.picture,)), *click)

    def in_words(self) -> str:
        """What it does, in a few words, as ``wait for the picture menu.png``."""
        match self.way:
            case "window":
                named = f" {self.window!r}" if isinstance(self.window, str) else ""
                words = f"wait for a window{named}"
            case "picture":
                words = f"wait for the picture {self.picture}"
            case "process":
                words = f"wait for the program {self.process}"
            case "line":
                words = f"wait for the line {self.line!r}" + (f" in {self.in_file}" if self.in_file else "")
            case "load_above_pct":
                words = f"wait for a card load above {self.load_above_pct:g} %"
            case "load_below_pct":
                words = f"wait for a card load below {self.load_below_pct:g} %"
            case "file":
                words = f"wait for the file {self.file}"
            case "wait_s":
                words = f"wait {self.wait_s:g} s"
            case "press":
                words = f"press {' '.join(self.presses())}"
            case "hold":
                words = f"hold {self.hold} for {self.for_s:g} s"
            case "text":
                words = f"type {(self.text or '')[:40]!r}"
            case "move":
                words = f"move the pointer to {_comma(self.move)}"
            case "click":
                on = f"on {self.click}" if isinstance(self.click, str) else f"at {_comma(self.click)}"
                words = f"click {on}"
            case "command":
                words = f"run {(self.command or [''])[0]}"
            case "sequence":
                words = f"sequence {self.sequence}"
            case "leave":
                words = {
                    "menu": "wait for the title's own end",
                    "close": "ask its window to close",
                    "end": "end the title",
                }[self.leave or "end"]
            case _:
                words = {"ready": "ready", "begin": "the window begins", "end": "the window ends"}[self.way]
        return f"{words} to go" if self.gone else words

    def presses(self) -> tuple[str, ...]:
        """The keys that ``press`` names, in order; once."""
        return (self.press,) if isinstance(self.press, str) else tuple(self.press or ())


class SurpriseSpec(Part):
    """A picture that may come at any time outside the measured window, and what is done then."""

    BEARS: ClassVar[str] = "*"
    APART: ClassVar[str] = "likeness_pct says"

    name: str = Name
    picture: str = Field(min_length=1, description="the picture (PNG)")
    area: Area | None = Field(default=None, description="look only there: x, y, width, height")
    likeness_pct: Likeness = 80.0
    sequence: str | None = Field(
        default=None, description="steps that answer it; none: it means that the title has failed"
    )
    times: int = Field(default=1, ge=1, le=100, description="how often in one attempt it is answered")
    says: str = Field(default="", max_length=300, description="what it means, for the attempt's reason")


def window_s(steps: Sequence[StepSpec]) -> float:
    """What the steps between begin and end take by their own word, s; 0 where no step ends the window."""
    ways = [step.way for step in steps]
    if "begin" not in ways or "end" not in ways:
        return 0.0
    inside = steps[ways.index("begin") : ways.index("end")]
    return sum((step.wait_s or 0.0) + (step.for_s or 0.0) for step in inside)


def _comma(point: object) -> str:
    return ", ".join(map(str, point)) if isinstance(point, list) else ""
