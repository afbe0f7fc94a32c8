"""Puts back what the record holds, and says what is known of it.

Whoever calls this holds the hardware's lock.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

from harness.card import GraphicsCard
from harness.clock import SystemClock
from harness.errors import HarnessError, RecordDamaged, RestoreUnproven, StoreError
from harness.guard.changers import end_changers
from harness.guard.record import Content, RestoreRecord
from harness.plugins import PluginHost
from harness.rig import Control

OpenControl = Callable[[str], Control]
#: Exit codes of a restore: all is proven; something can't be proven; something is not restored.
EXIT_PROVEN: Final = 0
EXIT_UNPROVEN: Final = RestoreUnproven.exit_code
EXIT_NOT_RESTORED: Final = 5


@dataclass(frozen=True)
class Restored:
    """One control that was asked to restore.

    Attributes:
        kind: The control's.
        failure: Why it could not; empty where it did.
        doubt: Why it can't be proven; empty where it was read back.
        on_record: The record held a state to go back to; otherwise the maker's is meant.
    """

    kind: str
    failure: str = ""
    doubt: str = ""
    on_record: bool = True


@dataclass(frozen=True)
class MachineRestored:
    """What ``levelrig restore`` found and did.

    Attributes:
        record: What the machine's record was: ``none`` (nothing stood there), ``read`` or ``damaged``.
        items: Each control that was asked.
        kept_aside: Where a damaged record was kept.
    """

    record: Literal["none", "read", "damaged"]
    items: list[Restored] = field(default_factory=list)
    kept_aside: str = ""

    @property
    def exit_code(self) -> int:
        if any(item.failure for item in self.items):
            return EXIT_NOT_RESTORED
        unproven = self.record == "damaged" or any(item.doubt for item in self.items)
        return EXIT_UNPROVEN if unproven else EXIT_PROVEN

    def lines(self) -> list[str]:
        """What a person should know, a sentence each."""
        lines = [f"{item.kind}: not restored: {item.failure}" for item in self.items if item.failure]
        lines += [
            f"{item.kind}: restored as far as can be told: {item.doubt}" for item in self.items if item.doubt
        ]
        proven = [item for item in self.items if not item.failure and not item.doubt]
        recorded = [item.kind for item in proven if item.on_record]
        others = [item.kind for item in proven if not item.on_record]
        if self.record == "damaged":
            lines.append(
                f"The record of what was changed was damaged and is kept as {self.kept_aside}. What it told "
                "to put back by commands of your own is not known any more: look at that yourself."
            )
        if self.record == "none":
            lines.append("No record: no run of this user left anything to be put back.")
        if recorded:
            lines.append(f"Put back as they were found, and read back: {', '.join(recorded)}.")
        if others:
            lines.append(f"At the maker's state, as far as each can read its devices: {', '.join(others)}.")
        if self.exit_code == EXIT_NOT_RESTORED:
            lines.append("Grant what is missing and run `levelrig restore` again, or restart the machine.")
        return lines


def restore_recorded(
    record: RestoreRecord, open_control: OpenControl, *, clear: bool = True, known: Content | None = None
) -> list[Restored]:
    """Restore what the record holds. Tries every control; what fails stays in the record.

    Args:
        record: The machine's record.
        open_control: Opens a control by kind.
        clear: Take what is restored out of the record. Not while the program that changed it lives: it may
            go on at any moment in the middle of a change.
        known: What the record held; default: it is read.
    Raises:
        StoreError: The record can't be read.
    """
    states, owner = known or record.content()
    if not states:
        return []
    left = end_changers(owner, record.path.parent)
    done = [_restore(record, open_control, kind, state, clear and not left) for kind, state in states.items()]
    if left:
        what = f"{', '.join(left)} could not be ended and may change the card again; end it"
        done = [Restored(item.kind, item.failure or what) for item in done]
    return done


def restore_machine(
    host: PluginHost,
    record: RestoreRecord | None = None,
    open_control: OpenControl | None = None,
    card: GraphicsCard | None = None,
) -> MachineRestored:
    """What ``levelrig restore`` does: every control that writes to hardware puts its devices back.

    A control that the record knows goes back to the state that it holds, every other one to the factory
    state, if it knows that. A damaged record is kept aside, as if there were none. Without a record a
    control touches the only card that it can tune; of several none, unless one is named.

    Args:
        host: Opens the controls.
        record: The machine's record.
        open_control: Opens a control by kind.
        card: Where the record knows nothing of a control, it puts this card alone to the factory state.
    Raises:
        RecordNotOurs, StoreError: The record can't be trusted or read; nothing was done.
    """
    record = record or RestoreRecord()
    open_recorded = open_control or opener(host)
    open_other = open_control or opener(host, card)
    known: Mapping[str, Mapping[str, Any]] = {}
    state: Literal["none", "read", "damaged"] = "none"
    kept_aside = ""
    try:
        known = record.open_snapshots()
        state = "read" if known else "none"
    except RecordDamaged:
        kept_aside, state = str(record.set_aside()), "damaged"
    items = restore_recorded(record, open_recorded)
    kinds = [host.kind("control", name) for name in host.names("control")]
    others = [
        kind.name
        for kind in kinds
        if kind.changes_hardware
        and kind.knows_makers_state
        and kind.name not in known
        and (card is None or kind.name in card.controls)
    ]
    items += [
        replace(_restore(record, open_other, kind, {}, clear=False), on_record=False) for kind in others
    ]
    return MachineRestored(state, items, kept_aside)


def opener(host: PluginHost, card: GraphicsCard | None = None) -> OpenControl:
    """Opens controls of the installed plugins; without a card they touch what a snapshot names."""
    clock = SystemClock()

    def open_control(kind: str) -> Control:
        return host.open_control(kind, clock, card)

    return open_control


def _restore(
    record: RestoreRecord, open_control: OpenControl, kind: str, state: Mapping[str, Any], clear: bool
) -> Restored:
    doubt = ""
    try:
        open_control(kind).restore(state)
    except RestoreUnproven as error:
        doubt = str(error)
    except Exception as error:  # a control that breaks must not keep the others from being restored
        return Restored(kind, str(error) if isinstance(error, HarnessError) else repr(error))
    try:
        if clear:
            record.clear_snapshot(kind)
    except StoreError as error:
        return Restored(kind, str(error))
    return Restored(kind, doubt=doubt)
