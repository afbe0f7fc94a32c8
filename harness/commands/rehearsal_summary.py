"""The closing part of ``levelrig rehearse``: what the rehearsed night says about the real one."""

from __future__ import annotations

from rich.console import Console
from rich.text import Text

from harness.metrics import METRICS
from harness.numerals import counted
from harness.rehearse import Outlook
from harness.terminal import duration, print_table


def print_outlook(out: Console, outlook: Outlook) -> None:
    """Timetable, what can be resolved, and what would go wrong."""
    out.print()
    print_table(
        out,
        "where the night goes",
        ["phase", "together", "an attempt", "share"],
        [
            [name, duration(phase.total_s), duration(phase.per_attempt_s), f"{phase.share_pct:.0f} %"]
            for name, phase in outlook.phases.items()
            if phase.total_s >= 1.0
        ],
    )
    shown = [metric.name for metric in METRICS.shown_in("outlook")]
    table = outlook.resolvable[outlook.resolvable["metric"].isin(shown)]
    whole = table[table["title"].isna()]
    if not len(whole):
        whole = table
    if len(whole):
        out.print()
        for sentence in whole["sentence"]:
            out.print(Text(str(sentence)))
    out.print()
    for warning in outlook.warnings:
        out.print(Text(f"would go wrong: {warning}", style="yellow"))
    out.print(
        Text(
            f"The real night takes about {duration(outlook.expected_s)}, likely between "
            f"{duration(outlook.earliest_s)} and {duration(outlook.latest_s)}, for "
            f"{counted(outlook.wanted, 'repeat')}. "
            "This was a simulation: it says how the night goes, not what your card scores.",
            style="bold",
        )
    )
