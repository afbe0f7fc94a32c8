"""What a campaign folder tells, for those that run it and those that look at it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final

from harness.attempt_row import AttemptRow
from harness.store import dataset, records
from harness.store.journal import Journal
from harness.store.records import Session

if TYPE_CHECKING:
    import pyarrow as pa

#: Phases of an attempt in which the engine is at work; in all others it only waits, and looks around several
#: times a second.
_AT_WORK: Final = frozenset({"apply", "close", "ingest", "commit"})


class CampaignView:
    """The reading half of :class:`~harness.store.campaign.CampaignStore`."""

    _journal: Journal

    def attempts_table(self) -> pa.Table:
        """Every ended attempt, in the order of their starts; schema ``harness.tables.ATTEMPTS``."""
        return dataset.decode_rows(records.encoded_rows(self._journal))

    def attempts(self) -> list[AttemptRow]:
        """The same as records."""
        return [AttemptRow.of(row) for row in self.attempts_table().to_pylist()]

    def attempt_rows(self) -> list[dict[str, Any]]:
        """The same as JSON values, null left out; for those who need a figure or two and no table."""
        return [json.loads(text) for text in records.encoded_rows(self._journal)]

    def repeats_table(self) -> pa.Table:
        """The accepted attempt of each repeat, at the cells' present definitions; the same schema."""
        return dataset.decode_rows(records.encoded_rows(self._journal, repeats_only=True))

    def repeats(self) -> list[AttemptRow]:
        """The same as records."""
        return [AttemptRow.of(row) for row in self.repeats_table().to_pylist()]

    def sessions(self) -> list[Session]:
        """The processes that worked on the folder, oldest first."""
        return records.sessions(self._journal)

    def events(self) -> list[dict[str, Any]]:
        """All events, oldest first: ``utc``, ``kind``, ``message``, ``data``."""
        rows = self._journal.query("SELECT * FROM events ORDER BY event_number")
        return [
            {"utc": r["utc"], "kind": r["kind"], "message": r["message"], "data": json.loads(r["data"])}
            for r in rows
        ]

    def unrestored(self) -> str:
        """Why the card was not back when the last run ended; empty if it was, as far as the journal tells."""
        for event in reversed(self.events()):
            if event["kind"] == "unrestored":
                return str(event["message"])
            if event["kind"] == "resumed":
                break
        return ""

    def phases(self, attempt_id: str) -> list[tuple[str, float]]:
        """(phase, seconds after the attempt's start) as put down."""
        rows = self._journal.query(
            "SELECT phase, t_s FROM transitions WHERE attempt_id = ? ORDER BY rowid", (attempt_id,)
        )
        return [(r["phase"], r["t_s"]) for r in rows]

    def activity(self) -> tuple[int, int, datetime | None, bool, bool]:
        """What changes while the campaign lives: (ended attempts, transitions, heartbeat, closed, waiting).

        ``waiting``: the running attempt is in a phase in which the run gives a heartbeat every few seconds.
        In the others (a profile is applied or put back, a log is read) one call may last.
        """
        counts = self._journal.query(
            "SELECT (SELECT count(*) FROM attempts WHERE verdict IS NOT NULL),"
            " (SELECT count(*) FROM transitions)"
        )[0]
        phase = self._journal.query(
            "SELECT phase FROM transitions JOIN attempts USING (attempt_id) WHERE verdict IS NULL"
            " ORDER BY transitions.rowid DESC LIMIT 1"
        )
        waiting = bool(phase) and phase[0]["phase"] not in _AT_WORK
        last = self.sessions()[-1:]
        if not last:
            return counts[0], counts[1], None, False, waiting
        return counts[0], counts[1], last[0].heartbeat_utc, last[0].closed_utc is not None, waiting

    def plan_text(self) -> str:
        """The plan in force, word for word."""
        text: str = self._journal.query("SELECT text FROM plans ORDER BY rowid DESC LIMIT 1")[0]["text"]
        return text

    def plan_text_at_first_repeat(self) -> str:
        """The plan that was in force when the first repeat that counts was begun; else the one in force."""
        rows = self._journal.query(
            "SELECT text FROM plans WHERE opened_utc <= (SELECT MIN(started_utc) FROM attempts "
            "WHERE verdict = 'accepted' AND sentinel = 0) ORDER BY rowid DESC LIMIT 1"
        )
        return str(rows[0]["text"]) if rows else self.plan_text()

    def plan_texts(self) -> list[str]:
        """Every plan that was in force here, word for word, oldest first."""
        return [r["text"] for r in self._journal.query("SELECT text FROM plans ORDER BY rowid")]

    def rig_facts(self) -> Mapping[str, Mapping[str, Any]]:
        """Sections of ``rig.json``, the rig that the campaign was begun on; empty where it can't be read."""
        return records.rig_facts(self._journal.files.folder)

    def plan_source(self) -> str:
        """Where the plan in force came from, as it was named then."""
        rows = self._journal.query("SELECT source FROM plans ORDER BY rowid DESC LIMIT 1")
        source: str = rows[0]["source"]
        return source
