"""The nights, each made once however many tests and processes ask for it."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.audit.nights import KINDS, Night

#: For tests of every kind: four of them each time, all of them by hand.
EACH = [
    kind
    if kind in ("complete", "crashing", "scores", "re-measured")
    else pytest.param(kind, marks=pytest.mark.endurance)
    for kind in KINDS
]
MakeNight = Callable[[str], Night]


@pytest.fixture(scope="session")
def night(tmp_path_factory: pytest.TempPathFactory) -> MakeNight:
    """Kind of night -> the campaign, made at the first call."""
    base = tmp_path_factory.getbasetemp()
    root = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "audit-nights"
    root.mkdir(exist_ok=True)

    def made(kind: str) -> Night:
        place = root / kind.replace(" ", "-")
        done = place / "made.json"
        try:
            place.mkdir()
        except FileExistsError:
            for _ in range(3000):  # another process makes it
                if done.exists():
                    break
                time.sleep(0.1)
            told = json.loads(done.read_text(encoding="utf-8"))
            return Night(Path(told["folder"]), told["printed"], told["code"])
        found = KINDS[kind](place)
        told = {"folder": str(found.folder), "printed": found.printed, "code": found.code}
        (place / "made.part").write_text(json.dumps(told), encoding="utf-8")
        (place / "made.part").rename(done)
        return found

    return made
