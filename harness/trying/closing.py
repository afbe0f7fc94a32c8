"""What is said when a try is over: the log, the figures, the checks, the verdict, and what to change."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from harness.engine.campaign import EXIT_INCOMPLETE, CampaignResult
from harness.frames.propose import Proposal
from harness.plan.captured import READER as CAPTURE
from harness.plan.schema import Cell, Plan
from harness.trying.account import Account
from harness.trying.advice import Change, about_log, changes, gives_nothing
from harness.trying.logs import columns_of, look_for, proposed
from harness.trying.results import CheckSaid, by_second, checks_said, figures, readings


@dataclass(frozen=True)
class Closing:
    """The end of an account.

    Attributes:
        account: The account.
        result: How the engine ended.
        folder: The try's folder.
        log_columns: Columns of the frame log.
        proposal: How its numbers say that it is read; None where that was not asked.
        fps: Frame rate of each second of the window.
        figures: Of frames and score.
        readings: By quantity.
        checks: What every check says.
        changes: What to change.
    """

    account: Account
    result: CampaignResult
    folder: Path
    log_columns: list[str] = field(default_factory=list)
    proposal: Proposal | None = None
    fps: list[float] = field(default_factory=list)
    figures: dict[str, Any] = field(default_factory=dict)
    readings: list[dict[str, Any]] = field(default_factory=list)
    checks: list[CheckSaid] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)

    @property
    def without_result(self) -> bool:
        """Nothing was wrong, but there is nothing that a night could compare."""
        running = self.account.found.running
        accepted = self.account.found.verdict == "accepted"
        return accepted and running is not None and gives_nothing(running.cell)

    @property
    def exit_code(self) -> int:
        """Of the command: 0 where a night would count the attempt."""
        return EXIT_INCOMPLETE if not self.result.exit_code and self.without_result else self.result.exit_code

    @property
    def rows_read(self) -> int | None:
        """Rows of the frame log, where it could be read."""
        running = self.account.found.running
        frames = None if running is None else running.measured.frames
        return None if frames is None else frames.rows_read

    def as_json(self) -> dict[str, Any]:
        """For ``--json``."""
        found = self.account.found
        return {
            "verdict": found.verdict,
            "reason_code": found.reason_code,
            "reason": found.reason,
            "exit_code": self.exit_code,
            "counted": False,
            "folder": str(self.folder),
            "unrestored": self.result.unrestored,
            "steps": found.steps,
            "programs": found.programs,
            "ready": {"after_s": found.ready_after_s, "by": found.ready_by or None},
            "window_s": found.window_s,
            "log": {
                "path": None if found.log is None else str(found.log),
                "rows": self.rows_read,
                "columns": self.log_columns,
            },
            "frame_rate_by_second": self.fps,
            "frame_rate_while_it_ran": [{"t_s": round(t_s, 1), "fps": fps} for t_s, fps in found.live_fps],
            "figures": self.figures,
            "readings": self.readings,
            "checks": [dataclasses.asdict(check) for check in self.checks],
            "changes": [{"why": one.why, "lines": list(one.lines)} for one in self.changes],
            "mapping": None if self.proposal is None else self.proposal.as_dict(),
        }


def close_account(account: Account, plan: Plan, cell: Cell, result: CampaignResult, folder: Path) -> Closing:
    """Look at what the try left. Opens its log, and where that does not fit, what else the title wrote."""
    found = account.found
    proposal, name = None, ""
    spec = cell.title.frame_log
    checks = checks_said(found.running, plan.checks)
    codes = {check.code for check in checks if check.said == "rejects"} | {found.reason_code or ""}
    captured = spec is not None and spec.reader == CAPTURE
    if found.running is not None and not captured and (any(map(about_log, codes)) or gives_nothing(cell)):
        if found.log is not None and found.log.is_file() and spec is not None:
            proposal, name = proposed(found.log), spec.path
        if proposal is None or not proposal.mapping:
            candidate = look_for(_folders(account, folder), found.began_unix_s)
            if candidate is not None:
                proposal, name = candidate.proposal, candidate.name
    there = found.log is not None and found.log.is_file()
    return Closing(
        account,
        result,
        folder,
        log_columns=columns_of(found.log) if there and found.log is not None and not captured else [],
        proposal=proposal,
        fps=by_second(found.running),
        figures=figures(found.running),
        readings=readings(found.running),
        checks=checks,
        changes=changes(found, cell, codes, proposal, name),
    )


def _folders(account: Account, folder: Path) -> list[Path]:
    """Where a title may have written: its files as kept, and the folders that its programs ran in."""
    ran_in = [Path(program["folder"]) for program in account.found.programs]
    return [path for path in (folder / "title", *ran_in) if path.is_dir()]
