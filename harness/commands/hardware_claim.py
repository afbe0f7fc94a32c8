"""Who may change this machine's hardware: taken before a run begins, so that a second one changes nothing."""

from __future__ import annotations

from pathlib import Path

from harness.engine.campaign import Guarded, Unguarded
from harness.errors import HardwareBusy
from harness.guard import Guard, HardwareLock, RestoreRecord
from harness.guard.lock import Doing
from harness.guard.record import records_of_others
from harness.guard.times import HANDOVER_S
from harness.plan.schema import Plan
from harness.plugins import PluginHost
from harness.titlefiles import KIND, has_files
from harness.titlewatch import other_runs


class Alone(Unguarded):
    """Changes no hardware, and holds the lock all the same, so that no other run begins to."""

    def __init__(self, lock: HardwareLock) -> None:
        super().__init__()
        self._lock = lock

    def close(self) -> None:
        self._lock.release()


def hold_for_try(plan: Plan, host: PluginHost, folder: Path, *, beside: bool) -> Guarded:
    """The guard of a try: it wants the machine for itself, as it would spoil what another run measures.

    Args:
        plan: The plan, cut down to the try.
        host: Knows the controls.
        folder: The try's folder, for others to know.
        beside: Go on beside another run; a try that changes hardware needs the lock all the same.
    Raises:
        HardwareBusy: Another run, try or restore holds the machine.
        StoreError: The lock or the record can't be used.
    """
    changes = has_files(plan) or any(
        host.kind("control", profile.control).changes_hardware for profile in plan.profiles
    )
    if not beside and (others := other_runs()):
        raise HardwareBusy(
            f"another levelrig (process {', '.join(map(str, others))}) runs titles on this machine; a try "
            "would spoil what it measures; wait for its end, or add --beside to go on all the same"
        )
    if changes or beside or RestoreRecord().path.exists():
        return hold_hardware(plan, host, folder, doing="try")
    return Alone(HardwareLock.take("try", folder, patience_s=0.0))


def hold_hardware(
    plan: Plan, host: PluginHost, folder: Path, record: RestoreRecord | None = None, doing: Doing = "run"
) -> Guarded:
    """The guard of a run of this plan; whoever gets it closes it.

    A plan that changes no hardware takes the lock only to put back what a run that crashed left changed, and
    only if nobody else is at it: it never touches another run's card or record.

    Args:
        plan: The plan.
        host: Knows the controls.
        folder: The campaign folder, for others to know.
        record: The machine's record.
        doing: What for, for others to know.
    Raises:
        HardwareBusy: The plan changes hardware, and somebody else holds it.
        StoreError: The lock or the record can't be used.
    """
    others = records_of_others() if record is None else []
    record = record or RestoreRecord()

    def changes_hardware(kind: str) -> bool:
        return kind == KIND or host.kind("control", kind).changes_hardware

    needs_it = has_files(plan) or any(changes_hardware(profile.control) for profile in plan.profiles)
    if not needs_it and not record.path.exists():
        return Unguarded()
    if needs_it and others:
        raise HardwareBusy(
            f"another user's run has changed this machine's hardware ({others[0]}): it still runs, or it was "
            "not put back; run `levelrig restore` as that user first. Nothing was changed"
        )
    try:
        lock = HardwareLock.take(
            doing, folder, state=record.path.parent, patience_s=HANDOVER_S if needs_it else 0.0
        )
    except HardwareBusy:
        if needs_it:
            raise
        return Unguarded()
    return Guard(changes_hardware, record, lock)
