"""Files of a campaign folder as the report reads them: what is damaged costs its own figure and is told.

Attempts, repeats and the plan's text stand in two places, in files of their own and in the journal, so that
one of the two may be lost. Whatever else can't be read is left out, with a sentence that names the file.
"""

from __future__ import annotations

import gzip
import json
import zlib
from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import pyarrow as pa
from pydantic import ValidationError

from harness import inside
from harness.errors import StoreError, UnsafePath
from harness.parquet import read_parquet
from harness.plan.afterwards import chosen_afterwards
from harness.plan.schema import Plan
from harness.store.artifacts import sha256_of
from harness.store.campaign import CampaignStore
from harness.store.soundness import require_campaign

T = TypeVar("T")


@dataclass
class Reader:
    """Reads one folder and keeps what it could not read.

    Attributes:
        folder: The campaign folder.
        damage: Path relative to the folder -> what is wrong with it and what that costs, in a sentence.
        hashes: SHA-256 by path, as the manifest has them.
    """

    folder: Path
    damage: dict[str, str] = field(default_factory=dict)
    hashes: Mapping[str, str] = field(default_factory=dict)

    def note(self, path: Path, what: str, cost: str) -> None:
        """Keep a sentence about a file; the first one counts."""
        name = path.relative_to(self.folder).as_posix()
        self.damage.setdefault(name, f"{name}: {what}; {cost} (`levelrig verify {self.folder}` tells more)")

    def json(self, name: str, cost: str) -> dict[str, Any]:
        """A JSON table; empty where it is missing or can't be read."""
        path = self.folder / name
        if not inside.is_there(self.folder, path):
            return {}
        try:
            loaded = json.loads(inside.read_bytes(self.folder, path))
        except (OSError, ValueError) as error:
            self.note(path, f"can't be read ({_short(error)})", cost)
            return {}
        return loaded if isinstance(loaded, dict) else {}

    def artifact(self, path: Path, columns: list[str] | None = None) -> pa.Table | None:
        """A table of an attempt, whole as the manifest knows it; None where it is missing or damaged."""
        name = path.relative_to(self.folder).as_posix()
        cost = "what is drawn from it is left out, the attempt's figures stand"
        listed = self.hashes.get(name)
        if not inside.is_there(self.folder, path):
            if listed is not None:
                self.note(path, "missing", cost)
            return None
        try:
            if listed is not None and sha256_of(path, self.folder) != listed:
                self.note(path, "damaged: it is not what was measured", cost)
                return None
            return self._table(path, columns)
        except (OSError, pa.ArrowException, KeyError, ValueError) as error:
            self.note(path, f"can't be read ({_short(error)})", cost)
            return None

    def compressed(self, path: Path, most_bytes: int) -> bytes | None:
        """Content of a file that was kept as gzip; None where it is missing, damaged or larger than that."""
        name = path.relative_to(self.folder).as_posix()
        cost = "it is left out, the attempt's figures stand"
        listed = self.hashes.get(name)
        if not inside.is_there(self.folder, path):
            return None
        try:
            if listed is not None and sha256_of(path, self.folder) != listed:
                self.note(path, "damaged: it is not what was kept", cost)
                return None
            with inside.opened(self.folder, path) as file, gzip.GzipFile(fileobj=file) as unpacked:
                content = unpacked.read(most_bytes + 1)
        except (OSError, EOFError, zlib.error) as error:
            self.note(path, f"can't be read ({_short(error)})", cost)
            return None
        return content if len(content) <= most_bytes else None

    def dataset(self, name: str, from_journal: Callable[[CampaignStore], pa.Table]) -> pa.Table | None:
        """A table of ``dataset/``; the journal's own where that is missing or damaged; None without both."""
        path = self.folder / "dataset" / f"{name}.parquet"
        listed = self.hashes.get(f"dataset/{name}.parquet")
        try:
            if listed is None or sha256_of(path, self.folder) == listed:
                return self._table(path)
            why = "differs from the manifest"
        except FileNotFoundError:
            why = "missing"
        except UnsafePath:
            raise
        except (OSError, pa.ArrowException, ValueError) as error:
            why = f"can't be read ({_short(error)})"
        found = self._journal(from_journal)
        if found is not None:
            self.note(path, why, "the journal's own rows are used")
            return found
        try:
            return self._table(path)
        except (OSError, pa.ArrowException, ValueError):
            return None

    def plan(self) -> tuple[Plan, str]:
        """The plan that the campaign ran, and its text. Raises StoreError."""
        path = self.folder / "plan.toml"
        try:
            text = inside.read_text(self.folder, path)
            return Plan.kept(text), text
        except UnsafePath:
            raise
        except (OSError, ValueError) as error:
            missing = isinstance(error, FileNotFoundError)
            why = "missing" if missing else f"can't be read ({_short(error)})"
        held = self._journal(lambda store: store.plan_text())
        try:
            plan = Plan.kept(held) if held is not None else None
        except ValueError:
            plan = None
        if plan is None or held is None:
            require_campaign(self.folder)
            raise StoreError(f"{path}: {why}; put back the plan file that the campaign was run with")
        self.note(path, why, "the journal's copy of the plan is used")
        return plan, held

    def chosen_afterwards(self, plan: Plan) -> tuple[str, ...]:
        """What of this plan was chosen after its first repeat; nothing where no journal tells."""
        text = self._journal(lambda store: store.plan_text_at_first_repeat())
        try:
            return () if text is None else chosen_afterwards(Plan.kept(text), plan)
        except ValueError:
            return ()

    def _table(self, path: Path, columns: list[str] | None = None) -> pa.Table:
        with inside.opened(self.folder, path) as file:
            return read_parquet(file, columns)

    def _journal(self, read: Callable[[CampaignStore], T]) -> T | None:
        try:
            with closing(CampaignStore.read(self.folder)) as store:
                return read(store)
        except (StoreError, LookupError):
            return None


def _short(error: Exception) -> str:
    """The first line of an error, without what pydantic adds."""
    if isinstance(error, ValidationError):
        return "it is not a whole plan"
    return str(error).strip().partition("\n")[0][:120]
