"""Which profile is in force, and the way back: every control's state is saved before its first change."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple, Protocol

from harness.clock import Clock
from harness.errors import (
    ControlRefused,
    HarnessError,
    NotInForce,
    NotRestored,
    ProfileLost,
    RestoreUnproven,
    StoreError,
)
from harness.guard.times import CALL_S, RESTORE_PAUSES_S
from harness.log import get_logger
from harness.plan.schema import ProfileSpec
from harness.rig import Control

log = get_logger("levelrig.profiles")


class LostHold(NamedTuple):
    """A profile that was applied is not in force: the reason code of its attempt, and the reason."""

    code: str
    why: str


class SnapshotStore(Protocol):
    """Where the way back is kept, durable before anything is changed; see :mod:`harness.guard`."""

    def save_snapshot(self, control_kind: str, snapshot: Mapping[str, Any]) -> None: ...

    def open_snapshots(self) -> Mapping[str, Mapping[str, Any]]: ...

    def clear_snapshot(self, control_kind: str) -> None: ...

    def settle(self) -> list[str]:
        """End every command that may still change hardware; names of those that could not be ended."""

    def undisturbed(self) -> bool:
        """Whether nobody has put the card back behind our back since the last profile was saved for."""


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
        self._took_hold = False
        self._applying = False
        self._noticed: list[str] = []
        self._as_found: dict[str, Mapping[str, Any]] = {}
        self._disturbed = False

    def longest_s(self, profile: ProfileSpec) -> float:
        """Longest time that :meth:`apply` of this profile may take: restore, apply and read back."""
        calls = [*self._open_kinds(), *[profile.control] * 3]  # restores; then snapshot, apply, read back
        return sum(_longest_call_s(self._open_control(kind)) for kind in calls)

    def longest_restore_s(self) -> float:
        """Longest time that :meth:`restore` may take."""
        return CALL_S + sum(_longest_call_s(self._open_control(kind)) for kind in self._open_kinds())

    def apply(self, profile: ProfileSpec) -> dict[str, Any]:
        """Bring the profile into force, from the maker's state, and read it back.

        Where it was in force and is so no more, it is applied again; :meth:`take_noticed` tells of it. What
        another program has set meanwhile is taken back: a card goes on from the state in which it was found.

        Raises:
            ControlRefused: Refused, or it reads back as something else.
            NotRestored: The profile before it could not be taken back.
        """
        control = self._open_control(profile.control)
        if control.changes_hardware and not self._allow_hardware_changes:
            raise ControlRefused(
                f"profile {profile.name}: control {control.kind} changes the card; "
                "set plan.allow_hardware_changes = true if that is meant"
            )
        if self._in_force == profile and self._snapshots.undisturbed():
            try:
                return self._read_back(control, profile)
            except ProfileLost as error:
                self._noticed.append(f"profile {profile.name}: {error}; it was applied again")
                self._in_force = None
        if self._in_force != profile or not self._snapshots.undisturbed():
            self._look_for_strangers()
            self.restore()
            self._take_back_strangers()
            snapshot = control.snapshot()
            if control.changes_hardware:
                self._as_found.setdefault(control.kind, snapshot)
            self._snapshots.save_snapshot(control.kind, snapshot)
            self._in_force, self._took_hold = profile, False
            self._applying = True
            try:
                control.apply(profile)
            finally:
                self._applying = False
            log.info("profile applied", profile=profile.name, control=control.kind)
        return self._read_back(control, profile)

    def _look_for_strangers(self) -> None:
        """Before the state of the card is taken for that to go back to: has another program changed it?

        A profile that changed the card is taken back in any case, and with it what was set meanwhile.
        """
        before = self._in_force
        if before is None:
            return
        try:
            control = self._open_control(before.control)
            if not control.changes_hardware:
                self._read_back(control, before)
        except ProfileLost as error:
            self._noticed.append(f"after profile {before.name}: {error}")
        except HarnessError:
            return  # whoever needs it finds out

    def _take_back_strangers(self) -> None:
        """Put the cards that this run has changed before back to the state in which they were found."""
        if not self._disturbed:
            return
        self._disturbed = False
        for kind, snapshot in self._as_found.items():
            try:
                self._open_control(kind).restore(snapshot)
            except HarnessError as error:
                self._noticed.append(f"what another program set could not be taken back: {error}")

    def interrupt(self) -> None:
        """End the commands by which a profile is being applied, if any; :meth:`apply` then refuses it."""
        if self._applying:
            self._snapshots.settle()

    def lost_hold(self, profile: ProfileSpec) -> LostHold | None:
        """Why the profile, which was applied, is not in force any more; None if it is. It is read back."""
        try:
            self._read_back(self._open_control(profile.control), profile)
        except HarnessError as error:
            self.forget()
            by_another = isinstance(error, ProfileLost) and error.by_another
            return LostHold("profile-changed" if by_another else "profile-lost", str(error))
        return None

    def take_noticed(self) -> list[str]:
        """What was noticed since the last call of profiles that did not stay in force, a sentence each."""
        taken, self._noticed = self._noticed, []
        return taken

    def _read_back(self, control: Control, profile: ProfileSpec) -> dict[str, Any]:
        try:
            found = control.read_back(profile)
        except NotInForce as error:
            if not (self._took_hold and self._in_force == profile and self._snapshots.undisturbed()):
                raise  # it never took hold
            self._disturbed = True
            raise lost(error) from error
        if not self._snapshots.undisturbed():
            raise ControlRefused(
                f"profile {profile.name}: levelrig stood still for so long that its watch put the card back; "
                "the profile is applied again for the next attempt"
            )
        self._took_hold = self._in_force == profile
        return found

    def forget(self) -> None:
        """The profile may not be in force any more: apply it again next time."""
        self._in_force = None

    def restore(self) -> list[str]:
        """Put back whatever was changed, now or by a run that crashed. Tries every control.

        Returns:
            What was put back but can't be proven, a sentence each.
        Raises:
            NotRestored: At least one control could not be restored; its saved state is kept.
            StoreError: All are restored, but the record could not be told so; the next start restores again.
        """
        self._in_force = None
        failures: list[str] = []
        doubts: list[str] = []
        untold: StoreError | None = None
        snapshots = list(self._snapshots.open_snapshots().items())
        left = self._snapshots.settle() if snapshots else []
        failures += [f"{name} may change the card again and could not be ended" for name in left]
        for kind, snapshot in snapshots:
            try:
                try:
                    self._open_control(kind).restore(snapshot)
                    log.info("put back as found", control=kind)
                except RestoreUnproven as error:
                    doubts.append(f"{kind}: {error}")
                    log.warning("restored, but not proven", control=kind, detail=str(error))
                if not left:
                    self._snapshots.clear_snapshot(kind)
            except StoreError as error:
                untold = error
            except Exception as error:  # a control that breaks must not keep the others from being restored
                failures.append(f"{kind}: {error if isinstance(error, HarnessError) else repr(error)}")
        if failures:
            why = "; ".join(failures)
            raise NotRestored(f"not restored: {why}; run `levelrig restore`, or restart the machine", why)
        if untold is not None:
            raise untold
        return doubts

    def _open_kinds(self) -> list[str]:
        return list(self._snapshots.open_snapshots())


def lost(error: NotInForce) -> ProfileLost:
    """Who is at work where a profile that was in force is so no more, by what reads back now. Pure.

    A reset of the driver, or a suspend of the machine, brings the maker's values; nobody else but another
    program brings other ones. Where all is at the maker's values both may be.
    """
    told = "; ".join(map(str, error.differences)) or str(error)
    if error.differences and all(difference.at_factory for difference in error.differences):
        return ProfileLost(
            "lost since it was applied, as by a reset of the driver, a suspend, or another program that set "
            f"the maker's values: {told}",
            by_another=False,
        )
    return ProfileLost(f"changed by another program: {told}", by_another=True)


def restore_patiently(keeper: ProfileKeeper, clock: Clock, tell: Callable[[str], None]) -> list[str]:
    """Restore; where that fails, again and again with growing pauses, about three minutes in all.

    Args:
        keeper: Restores.
        clock: For the pauses.
        tell: Hears of each failure before the next try.
    Returns:
        What was put back but can't be proven.
    Raises:
        HarnessError: As the last try did.
    """
    for pause_s in RESTORE_PAUSES_S:
        try:
            return keeper.restore()
        except HarnessError as error:
            tell(f"{error}. It is tried again in {pause_s:.0f} s")
            clock.sleep_s(pause_s)
    return keeper.restore()


def _longest_call_s(control: Control) -> float:
    """What the control states of itself; see :class:`harness.rig.Control`."""
    return float(getattr(control, "longest_call_s", CALL_S))
