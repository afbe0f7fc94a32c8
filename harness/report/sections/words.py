"""Fixed texts of the report: definitions, how the uncertainty was found, cautions."""

from __future__ import annotations

from collections.abc import Collection

from harness.boundary.crossing import Unfit, printable, quietly
from harness.metrics import METRICS, Metric, said
from harness.metrics.definition import Text
from harness.numerals import at_start
from harness.plan.schema import Plan, PlanHead
from harness.report.elements import Definition

CAUTIONS = (
    "The results hold for the one card that was measured, in this rig, room and driver. Another card of the "
    "same model may behave otherwise.",
    "Changing a card's power limit, clocks or voltage can crash the machine, lose unsaved work, shorten the "
    "life of the hardware or void its warranty. Keep to the limits of the card's maker, and leave work on "
    "open mains or modified cooling to qualified people.",
    "A setting that was stable for the length of these tests is not proven stable. Errors that do not crash "
    "(wrong pixels, wrong results of a computation) were not looked for.",
    "Power read from the driver is the card's own estimate. It does not include the rest of the machine.",
)

SOURCES = (
    "Each number in the tables of results has a name, shown when the pointer rests on it and listed in "
    "numbers.json beside this page. `levelrig explain FOLDER NAME` prints the chain behind it: the repeats "
    "that "
    "it rests on, their frame logs and telemetry with SHA-256, and the plan.",
    "The data package (dataset/datapackage.json, ro-crate-metadata.json, CITATION.cff) describes every "
    "file of "
    "the campaign; the tables carry their units.",
)


def metric_definitions(head: PlanHead) -> list[Definition]:
    """What the metrics are: those whose definition is stated, and all that plugins bring."""
    shown = [m for m in METRICS.compared() if m.definition or m in METRICS.added()]
    return [Definition(at_start(m.label), _told(m, m.definition, head) or m.meaning) for m in shown]


def metrics_in_methods(head: PlanHead, measured: Collection[str]) -> list[str]:
    """The same for the methods paragraph, a sentence each; of what plugins bring, what was measured."""
    shown = [m for m in METRICS.compared() if m.methods or (m in METRICS.added() and m.name in measured)]
    texts = [_told(m, m.methods, head) or _told(m, m.definition, head) or m.meaning for m in shown]
    return [f"The {m.label} is {text.rstrip('.')}." for m, text in zip(shown, texts, strict=True)]


def primary_metrics(head: PlanHead) -> str:
    """The metrics that get verdicts, as a reader calls them; one whose plugin is missing by its own name."""
    known = METRICS.compared_as
    return ", ".join(known[name].label if name in known else name for name in head.primary_metrics)


def _told(metric: Metric, text: Text, head: PlanHead) -> str:
    """A text of a metric; empty where a plugin's is none, which the log tells."""
    return quietly(f"a text of metric {metric.name}", lambda: said(text, head), _printable_text, "")


def _printable_text(value: object) -> str:
    if not isinstance(value, str):
        raise Unfit(f"it gave {printable(value, 80)} where a text belongs")
    return printable(value)


def definitions(plan: Plan) -> list[Definition]:
    """The terms of the report, as they are used in it."""
    return [
        *metric_definitions(plan.plan),
        Definition(
            "Repeat",
            "one accepted measurement of a cell. The repeat, never the frame, is the unit of every interval.",
        ),
        Definition("Cell", "title × setting × profile."),
        Definition(
            "Change",
            "ratio of a profile to the reference less one, in %. Temperatures and sound levels are "
            "compared by difference.",
        ),
        Definition(
            f"Margin ({plan.plan.margin_pct:g} %)",
            "the difference that the plan declares to count as none, symmetric in the logarithm.",
        ),
        Definition(
            "Same",
            "the whole interval lies inside the margin. A plain lack of evidence is not called the same.",
        ),
        Definition(
            "Faster, slower and other verdicts",
            "the whole interval lies on one side of no change, and it is not the same.",
        ),
        Definition("Undecided", "the interval holds no change and reaches beyond the margin."),
        Definition(
            "Withheld",
            "the runs of one side were found less even, so no verdict is given that could be theirs.",
        ),
        Definition(
            "Crashed",
            "the title crashed or hung, the driver failed, or the machine crashed or rebooted, in an attempt "
            "at a repeat; attempts that ended for another reason count neither as crashed nor as tries.",
        ),
    ]


def uncertainty(plan: Plan) -> list[str]:
    """How the intervals were found, in sentences."""
    head = plan.plan
    pairing = {
        "balanced": "Repeats of one block of the order are compared with each other, so that what drifts "
        "over the night falls out.",
        "shuffled": "Repeats of one round of the order are compared with each other, so that what drifts "
        "from round to round falls out; what drifts within a round is left to chance.",
        "as-listed": "The order was not blocked, so repeats of two profiles are compared as independent "
        "groups; a drift over the night is not removed.",
    }[head.order]
    return [
        f"Intervals are {head.confidence_pct:g} % t-intervals over repeats, computed on the logarithm of "
        f"ratios. {pairing}",
        "Across titles the geometric mean of the ratios is given with two intervals: one for these titles, "
        "and a wider "
        "one for similar titles, which also carries the scatter between titles.",
        f"Claimed are the metrics that the plan names beforehand ({primary_metrics(head)}); all "
        "others are described. All claims title by title are one family, those over all titles another: the "
        "intervals of a family hold together (Bonferroni), and the interval shown is the one that decides.",
        "The intervals hold what varied between repeats. What was equal in all of them (a biased sensor, "
        "one copy of "
        "the card, one version of a title) is not in them.",
    ]
