"""Which profile is in force, and the way back: every control's state is saved before its first change."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Protocol

import structlog

from harness.errors import ControlRefused, HarnessError, StoreError
from harness.plan.schema import ProfileSpec
from harness.rig import Control

log = structlog.get_logger("levelrig.profiles")


class SnapshotStore(Protocol):
    """Where the way back is kept, durable before anything is changed; see also :mod:`harness.guard`."""

    def save_snapshot(self, control_kind: str, snapshot: Mapping[str, Any]) -> None: ...

    def open_snapshots(self) -> Mapping[str, Mapping[str, Any]]: ...

    def clear_snapshot(self, control_kind: str) -> None: ...


class ProfileKeeper:
    """Applies profiles one after another and restores the state from before the first.

    Args:
        open_control: Opens a control by kind.
        snapshots: Keeps the way back across crashes.
        allow_hardware_changes: The plan's own permission.
    """

    def __init__(
        self,
        open_control: Callable[[str], Control],
        snapshots: SnapshotStore,
        *,
        allow_hardware_changes: bool,
    ) -> None:
        self._open_control = open_control
        self._snapshots = snapshots
        self._allow_hardware_changes = allow_hardware_changes
        self._in_force: ProfileSpec | None = None

    def apply(self, profile: ProfileSpec) -> dict[str, Any]:
        """Bring the profile into force, from the factory state, and read it back.

        Raises:
            ControlRefused: Refused, or it reads back as something else.
        """
        control = self._open_control(profile.control)
        if control.changes_hardware and not self._allow_hardware_changes:
            raise ControlRefused(
                f"profile {profile.name}: control {control.kind} changes the card; "
                "set plan.allow_hardware_changes = true if that is meant"
            )
        if self._in_force != profile:
            self.restore()
            snapshot = control.snapshot()
            self._snapshots.save_snapshot(control.kind, snapshot)
            self._in_force = profile
            control.apply(profile)
            log.info("profile applied", profile=profile.name, control=control.kind)
        return control.read_back(profile)

    def forget(self) -> None:
        """The profile may not be in force any more: apply it anew next time."""
        self._in_force = None

    def restore(self) -> None:
        """Put back whatever was changed, now or by a run that crashed. Tries every control.

        Raises:
            ControlRefused: At least one control could not be restored; its saved state is kept.
            StoreError: All are restored, but the journal could not be told so; the next start restores again.
        """
        self._in_force = None
        failures: list[str] = []
        untold: StoreError | None = None
        for kind, snapshot in list(self._snapshots.open_snapshots().items()):
            try:
                self._open_control(kind).restore(snapshot)
                log.info("factory state restored", control=kind)
                self._snapshots.clear_snapshot(kind)
            except StoreError as error:
                untold = error
            except HarnessError as error:
                failures.append(f"{kind}: {error}")
        if failures:
            raise ControlRefused(
                f"not restored: {'; '.join(failures)}; run `levelrig restore`, or restart the machine"
            )
        if untold is not None:
            raise untold
