"""``doctor``: what this machine can do for a night; its self-test; a curve that becomes a card's model."""

from __future__ import annotations

import argparse
import dataclasses
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from rich.console import Console

from harness import inside
from harness.characterise import load_of, measure_curve, read_trace
from harness.commands import add_command, print_json
from harness.doctor import examine
from harness.errors import StoreError
from harness.hookspecs import Finding
from harness.plan.load import load_plan
from harness.plugins import PluginHost, PluginRig
from harness.terminal import console, paged, print_table


def register(commands: Any) -> None:
    """Add the command of this module."""
    doctor = add_command(
        commands,
        "doctor",
        _doctor,
        example="levelrig doctor\n  levelrig doctor --characterise plans/ten-titles.toml",
        reports=True,
    )
    doctor.add_argument(
        "--self-test",
        action="store_true",
        help="instead, try in three minutes what a night needs of this machine and system: programs, files, "
        "clocks, sensors, live page; --json prints what to send with a question (exit code 1: a failure)",
    )
    doctor.add_argument(
        "--characterise",
        type=Path,
        metavar="FILE",
        help="instead, fit this card's model for rehearsals to a heating and cooling curve: FILE is a plan, "
        "whose first title heats the card for three minutes, or a stored curve (CSV or Parquet)",
    )
    doctor.add_argument("--title", help="title of the plan that heats the card; default: its first")
    doctor.add_argument(
        "--model-into", type=Path, default=Path("card-model.json"), help="file that takes the fitted model"
    )
    doctor.add_argument(
        "--power",
        action="store_true",
        help="instead, measure in about four minutes what the card's own power readings are worth: loads of "
        "known rhythm on the card, every source read; kept for this card and driver (needs the extra gpu)",
    )
    doctor.add_argument("--card", help="with --power: address, UUID or name of the card")
    doctor.add_argument(
        "--seconds", type=_length, default=190.0, help="with --power: length of the whole (60 to 900)"
    )
    doctor.add_argument("--power-into", type=Path, metavar="FILE", help="with --power: file for the model")
    doctor.add_argument(
        "--readings-into", type=Path, metavar="FOLDER", help="with --power: keep all that was read, too"
    )


def _length(text: str) -> float:
    seconds = float(text)
    if not 60 <= seconds <= 900:
        raise argparse.ArgumentTypeError("seconds must lie between 60 and 900")
    return seconds


def _characterise(arguments: argparse.Namespace) -> int:
    host = PluginHost()
    source: Path = arguments.characterise
    if source.suffix == ".toml":
        plan = load_plan(source, host)
        cell = load_of(plan, arguments.title)
        rig = PluginRig(host, plan)
        rig.require_card(str(source))
        out = console()

        def tell(phase: str, seconds: float) -> None:
            if not arguments.json:
                out.print(f"{phase}: {seconds:.0f} s")

        with tempfile.TemporaryDirectory(prefix="levelrig-") as folder:
            telemetry = measure_curve(rig, plan, cell, Path(folder), on_phase=tell)
    else:
        telemetry = read_trace(source)
    fitted = host.fit_card_model(telemetry, source.stem)
    into: Path = arguments.model_into
    try:
        inside.write_whole(into.parent, into, f"{fitted.document}\n".encode())
    except OSError as error:
        why = error.strerror or error
        raise StoreError(f"{into}: can't be written ({why}); name another file") from error
    if arguments.json:
        print_json({"model": str(arguments.model_into), "summary": fitted.summary})
    else:
        console().print(f"{fitted.summary}\nmodel: {arguments.model_into}; use it with rehearse --model")
    return 0


def _doctor(arguments: argparse.Namespace) -> int:
    if arguments.self_test:
        return _self_test(arguments)
    if arguments.power:
        from harness.commands.doctor_power import doctor_power

        return doctor_power(arguments)
    if arguments.characterise is not None:
        return _characterise(arguments)
    findings = examine(PluginHost())
    if arguments.json:
        print_json([dataclasses.asdict(finding) for finding in findings])
    else:
        out = console()
        with paged(out):
            _show(out, findings)
    return 0


def _self_test(arguments: argparse.Namespace) -> int:
    from harness import selftest

    seen = selftest.run_self_test(selftest.all_items(PluginHost()))
    failed = sum(outcome.verdict == "fail" for outcome in seen)
    about = selftest.about_this_machine()
    if arguments.json:
        print_json({"about": about, "items": [dataclasses.asdict(o) for o in seen], "failed": failed})
        return 1 if failed else 0
    out = console()
    out.print(about, markup=False)
    out.print()
    rows = [[o.item, o.verdict, f"{o.took_s:.1f} s", o.detail] for o in seen]
    print_table(out, "", ["tried", "result", "took", "seen"], rows)
    out.print()
    said = "Everything that could be tried works." if not failed else f"{failed} of {len(seen)} failed."
    out.print(f"{said} Nothing was changed. With a question send what `doctor --self-test --json` prints.")
    return 1 if failed else 0


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
