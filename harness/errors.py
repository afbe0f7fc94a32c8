"""Every error of levelrig. A leaf module: it imports nothing of the package.

One root class. Each message says what happened, where, and the next action;
each class carries the exit code that the command line ends with.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.numerals import counted


class HarnessError(Exception):
    """Root of all errors that levelrig raises on purpose."""

    exit_code = 1


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong with an input, told so that the user can fix it.

    Attributes:
        where: Table and key, as in ``titles[2].settings[0].resolution``.
        what: What is wrong there.
        remedy: What to do; the nearest valid choice where there is one.
        of_machine: It tells of the machine that was asked (no such card, no right), not of the input.
    """

    where: str
    what: str
    remedy: str
    of_machine: bool = False

    def __str__(self) -> str:
        return f"{self.where}: {self.what}; {self.remedy}"


#: So many problems of one plan are told; the rest is counted.
_SHOWN_PROBLEMS = 60


class PlanError(HarnessError):
    """The plan can't be run as written. Carries all problems found, not the first."""

    exit_code = 2

    def __init__(self, source: str, problems: Sequence[Problem]) -> None:
        self.source = source
        self.problems = tuple(problems)
        count = len(self.problems)
        lines = "\n".join(f"  {problem}" for problem in self.problems[:_SHOWN_PROBLEMS])
        if count > _SHOWN_PROBLEMS:
            lines += f"\n  and {count - _SHOWN_PROBLEMS} more"
        super().__init__(f"{source}: {counted(count, 'problem')}\n{lines}")


class UserFileError(HarnessError):
    """A file that the user named can't be used: missing, no regular file, too large, not text."""

    exit_code = 2

    def __init__(self, path: object, what: str, remedy: str) -> None:
        self.path, self.what, self.remedy = path, what, remedy
        super().__init__(f"{path}: {what}; {remedy}")


class NoAnswer(HarnessError):
    """A question has no answer, or one that can't be used. Nothing was written."""

    exit_code = 2


class SeamError(HarnessError):
    """Something beyond a seam failed: a title, a sensor, a control, a reader, a plugin.

    Attributes:
        permanent: It can't change by itself (no such program, no such column), so trying again is no use
            until somebody fixes the cause.
    """

    def __init__(self, *args: object, permanent: bool = False) -> None:
        super().__init__(*args)
        self.permanent = permanent


class PluginError(SeamError):
    """A plugin is missing, broken, or broke its contract."""


class SensorUnavailable(SeamError):
    """A sensor vanished. The sampler records a gap and goes on; likely causes: driver reset, unplugged."""


class ControlRefused(SeamError):
    """A tuning control was refused, or reads back as something else than was asked for.

    Likely causes: missing privilege, a value outside the driver's range, another tuning program at work.
    """

    exit_code = 3


@dataclass(frozen=True)
class Difference:
    """One setting that reads back otherwise than it should.

    Attributes:
        what: Its name, as in ``power limit``.
        wanted: What the profile asks for.
        found: What reads back.
        factory: The maker's value; None where it is not known.
        unit: Unit of all three; empty for none.
    """

    what: str
    wanted: float | str
    found: float | str | None
    factory: float | str | None = None
    unit: str = ""

    @property
    def at_factory(self) -> bool:
        """It is at the maker's value, though the profile asks for another."""
        return self.factory is not None and self.found == self.factory != self.wanted

    def __str__(self) -> str:
        wanted, found = (
            "unreadable" if value is None else f"{value:g}" if isinstance(value, float | int) else value
            for value in (self.wanted, self.found)
        )
        unit = f" {self.unit}" if self.unit else ""
        return f"{self.what} {wanted}{unit} → {found}{unit if self.found is not None else ''}"


class NotInForce(ControlRefused):
    """A profile reads back as something else. Whoever knows that it was in force before can say who did it.

    Attributes:
        differences: Each setting that differs.
    """

    def __init__(self, message: str, differences: Sequence[Difference]) -> None:
        self.differences = tuple(differences)
        super().__init__(message)


class ProfileLost(ControlRefused):
    """A profile that was in force is so no more.

    Attributes:
        by_another: Another program set other values; else it was lost, as after a driver reset or suspend.
    """

    def __init__(self, message: str, *, by_another: bool) -> None:
        self.by_another = by_another
        super().__init__(message)


class NotRestored(ControlRefused):
    """The hardware could not be put back, or reads back otherwise. The record keeps the way back.

    Attributes:
        why: What went wrong, without what is to be done: where a later try succeeds, nothing is.
    """

    exit_code = 5

    def __init__(self, message: str, why: str = "") -> None:
        self.why = why or message
        super().__init__(message)


class RestoreUnproven(ControlRefused):
    """All that can be done to put the hardware back is done, but nothing can be read that proves it."""

    exit_code = 4


class HardwareBusy(HarnessError):
    """Another run, restore or watch holds this machine's hardware. Nothing was changed."""

    exit_code = 3


class WorkloadFailed(SeamError):
    """A title did not start, crashed, hung, or left no result. The attempt fails; the night goes on."""


class CompanionFailed(WorkloadFailed):
    """A program that runs beside a title did not start or get ready, or ended before the title."""


class StepFailed(WorkloadFailed):
    """A step of a title's unattended sequence could not be done, or what it waits for did not come."""


class FrameLogError(SeamError):
    """A frame log can't be read as its mapping says. In a night the attempt is rejected with this reason."""

    exit_code = 2


class NothingToAnalyse(FrameLogError):
    """The folders hold neither campaigns nor tables that can be analysed."""


class ConditionsNotMet(HarnessError):
    """A stage's rule could not be met and the plan says to stop."""

    exit_code = 3


class StoreError(HarnessError):
    """The campaign folder can't be read or written. Nothing that was accepted before is lost."""


class RecordDamaged(StoreError):
    """The machine's record of what is to be put back can't be understood."""


class RecordNotOurs(StoreError):
    """The machine's record is another user's, or others could have written it: nothing in it is used."""

    exit_code = 3

    def __init__(self, path: Path, what: str) -> None:
        self.path, self.what = path, what
        super().__init__(
            f"{path}: {what}, so nothing in it is used; run levelrig as the user that it belongs to, or look "
            "at it and remove it if it is not levelrig's own"
        )


class CampaignBusy(StoreError):
    """Another levelrig process works on this folder. Nothing is wrong with plan or data: try again later."""

    exit_code = 3


class StorageFault(StoreError):
    """The disk failed a write or an fsync. Never tried again: the folder is reopened and verified instead."""


class DiskFull(StoreError):
    """No room left in the campaign folder. The campaign pauses; the same command goes on once there is."""

    exit_code = 3


class NotWritable(StoreError):
    """A folder that the run depends on can't be written: read-only, or of another user. Nothing was begun."""

    exit_code = 3


class JournalDamaged(StorageFault):
    """The journal is gone, empty, damaged or foreign. It is never begun again beside what was measured."""


class NotACampaign(StoreError):
    """The folder holds no campaign. Likely causes: a typing error, the folder above it, or one never run."""

    exit_code = 2


class FolderTaken(StoreError):
    """A campaign would begin in a folder where somebody's files have the names of its own."""

    exit_code = 2


class PlanChanged(StoreError):
    """The plan differs from the folder's so that measured work would be discarded; ask for it by flag."""

    exit_code = 2


class RigChanged(StoreError):
    """The folder was begun on another rig; going on here mixes two rigs and must be asked for by flag."""

    exit_code = 2


class ReportError(HarnessError):
    """A report can't be written or read. The measurements are untouched."""


class NoSuchNumber(ReportError):
    """The report holds no number of the name that was asked for."""

    exit_code = 2


class ReportMissing(ReportError):
    """The measurements are complete and safe, but there was no room or right to write their report."""

    exit_code = 3


class CardNotFound(HarnessError):
    """The card that a folder was measured on does not answer. Likely causes: driver reset, being loaded."""

    exit_code = 3


class SafetyStop(HarnessError):
    """A limit of the plan was exceeded; the factory state was restored and the night was ended."""

    exit_code = 5


class Interrupted(HarnessError):
    """The user or the system asked for a stop; the folder is resumable by the same command."""

    exit_code = 130


class MachineDown(BaseException):
    """The whole machine is down, as in a power cut: nothing may be written any more. Simulated rigs raise it.

    Not an ``Exception``: nothing that runs on the machine can catch it. A rehearsal starts the rig again and
    resumes; the store leaves everything as a power cut would.
    """


class UnsafePath(StoreError, OSError):
    """Something in a folder would lead elsewhere or is no regular file: a link, FIFO or device.

    An OSError too, so that whoever goes on without a file goes on without this one.
    """
