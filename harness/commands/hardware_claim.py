"""Who may change this machine's hardware: taken before a run begins, so that a second one changes nothing."""

from __future__ import annotations

from pathlib import Path

from harness.engine.campaign import Guarded, Unguarded
from harness.errors import HardwareBusy
from harness.guard import Guard, HardwareLock, RestoreRecord
from harness.guard.record import records_of_others
from harness.guard.times import HANDOVER_S
from harness.plan.schema import Plan
from harness.plugins import PluginHost


def hold_hardware(plan: Plan, host: PluginHost, folder: Path, record: RestoreRecord | None = None) -> Guarded:
    """The guard of a run of this plan; whoever gets it closes it.

    A plan that changes no hardware takes the lock only to put back what a run that crashed left changed, and
    only if nobody else is at it: it never touches another run's card or record.

    Args:
        plan: The plan.
        host: Knows the controls.
        folder: The campaign folder, for others to know.
        record: The machine's record.
    Raises:
        HardwareBusy: The plan changes hardware, and somebody else holds it.
        StoreError: The lock or the record can't be used.
    """
    others = records_of_others() if record is None else []
    record = record or RestoreRecord()

    def changes_hardware(kind: str) -> bool:
        return host.kind("control", kind).changes_hardware

    needs_it = any(changes_hardware(profile.control) for profile in plan.profiles)
    if not needs_it and not record.path.exists():
        return Unguarded()
    if needs_it and others:
        raise HardwareBusy(
            f"another user's run has changed this machine's hardware ({others[0]}): it still runs, or it was "
            "not put back; run `levelrig restore` as that user first. Nothing was changed"
        )
    try:
        lock = HardwareLock.take(
            "run", folder, state=record.path.parent, patience_s=HANDOVER_S if needs_it else 0.0
        )
    except HardwareBusy:
        if needs_it:
            raise
        return Unguarded()
    return Guard(changes_hardware, record, lock)
