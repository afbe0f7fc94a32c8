"""Who the rig is, once its card answers: a driver that is slow to wake up is no other rig."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from harness.engine.progress import Observer, StopSignal
from harness.errors import CardNotFound, Interrupted, StoreError
from harness.log import get_logger
from harness.rig import Rig, RigFacts
from harness.rig_identity import has_card, lacks_card
from harness.store.campaign import CampaignStore

log = get_logger("levelrig.identify")

#: How long a card that the folder was measured on may take to answer. Drivers that are loaded or reset at the
#: machine's start take seconds; common practice, no source.
CARD_WAIT_S: Final = 120.0
_LOOK_S: Final = 2.0


def facts_with_card(rig: Rig, folder: Path, observer: Observer, stop: StopSignal) -> RigFacts:
    """The rig's facts; waited for while the card that this folder was measured on does not answer.

    Args:
        rig: The machine under test.
        folder: The campaign folder; may be new.
        observer: Hears that it is waited for.
        stop: Ends the waiting.
    Raises:
        CardNotFound: The card did not answer in time. Nothing was changed.
        Interrupted: A stop was asked for.
    """
    facts = rig.facts()
    if not _may_still_come(facts, folder):
        return facts
    log.warning("card not found", waits_s=CARD_WAIT_S)
    observer.on_message(
        "warning", f"card not found: its driver does not answer; waiting for it up to {CARD_WAIT_S:.0f} s"
    )
    started_s = rig.clock.now_s()
    while rig.clock.now_s() - started_s < CARD_WAIT_S:
        rig.clock.sleep_s(_LOOK_S)
        request = stop.take()
        if request is not None and request.kind != "pause":
            raise Interrupted(f"stopped while waiting for the card ({request.reason})")
        facts = rig.facts()
        if not _may_still_come(facts, folder):
            observer.on_message("info", f"the card answers after {rig.clock.now_s() - started_s:.0f} s")
            return facts
    raise CardNotFound(
        f"{folder}: card not found: it was measured with a card that did not answer for {CARD_WAIT_S:.0f} s; "
        "see `levelrig doctor`, then run the same command again"
    )


def _may_still_come(facts: RigFacts, folder: Path) -> bool:
    """The folder's card does not answer: there is none, or only the processor's own graphics do so far."""
    if lacks_card(facts.rig_id):
        return measured_with_card(folder)
    if not facts.facts.get("card", {}).get("integrated"):
        return False
    try:
        with CampaignStore.read(folder) as store:
            return has_card(store.rig_id) and store.rig_id != facts.rig_id
    except (StoreError, LookupError):
        return False


def measured_with_card(folder: Path) -> bool:
    """Whether this campaign folder was begun on a rig with a card."""
    try:
        with CampaignStore.read(folder) as store:
            return has_card(store.rig_id) or bool(store.rig_facts().get("card", {}).get("uuid"))
    except (StoreError, LookupError):
        return False
