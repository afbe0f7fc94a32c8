"""``doctor`` and ``restore``: this machine and its card."""

from __future__ import annotations

import argparse
import dataclasses
from collections.abc import Sequence
from typing import Any

from rich.console import Console

from harness.commands import add_command, print_json
from harness.doctor import examine
from harness.guard import restore_machine
from harness.hookspecs import Finding
from harness.plugins import PluginHost
from harness.terminal import console, print_table


def register(commands: Any) -> None:
    """Add the commands of this module."""
    add_command(
        commands,
        "doctor",
        _doctor,
        summary="what on this machine can be read, controlled and run, and what is missing for the rest",
        example="levelrig doctor",
        reports=True,
    )
    add_command(
        commands,
        "restore",
        _restore,
        summary="put the card back to its factory state, whatever happened before",
        example="levelrig restore",
        reports=True,
    )


def _restore(arguments: argparse.Namespace) -> int:
    done = restore_machine(PluginHost())
    if arguments.json:
        print_json([dataclasses.asdict(item) for item in done])
    elif done:
        console().print(f"Nothing is left changed by: {', '.join(item.kind for item in done)}.")
    else:
        console().print("No control that is installed here changes hardware; nothing to restore.")
    return 0


def _doctor(arguments: argparse.Namespace) -> int:
    findings = examine(PluginHost())
    if arguments.json:
        print_json([dataclasses.asdict(finding) for finding in findings])
    else:
        _show(console(), findings)
    return 0


def _show(out: Console, findings: Sequence[Finding]) -> None:
    print_table(
        out,
        "",
        ["subject", "state", "found", "changes every", "one read"],
        [
            [
                finding.subject,
                finding.state,
                finding.detail,
                _figure(finding, "period_ms", "ms"),
                _figure(finding, "read_us", "µs"),
            ]
            for finding in findings
        ],
    )
    remedies = [finding for finding in findings if finding.remedy]
    if remedies:
        out.print()
        print_table(out, "what to do", ["subject", "remedy"], [[f.subject, f.remedy] for f in remedies])
    out.print()
    out.print("Nothing was changed.")


def _figure(finding: Finding, name: str, unit: str) -> str:
    value = finding.measured.get(name)
    return "" if value is None else f"{value:.0f} {unit}"
