"""A campaign folder under way and a server for it on the loopback address."""

from __future__ import annotations

import json
import os
import threading
import time
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from harness.plan.cells import expand
from harness.plan.order import arrange
from harness.plan.schema import Plan
from harness.rig import RigFacts
from harness.store.campaign import CampaignStore
from harness.watch.access import Access

START = datetime(2026, 3, 14, 20, 5, tzinfo=UTC)
PLAN = """
[plan]
name = "night-one"
question = "Does <b>quiet</b> keep the frame rate of factory?"
repeats = 2
reference = "factory"
[[profiles]]
name = "factory"
label = "Factory <script>document.title='taken'</script>"
[[profiles]]
name = "quiet"
[[titles]]
name = "harbour-lights"
label = "Harbour <img src=x onerror=alert(1)> Lights"
workload = "made-up"
[[titles]]
name = "glass-canyon"
workload = "made-up"
"""


@dataclass
class Night:
    """A campaign that is open for writing in this process, and so counts as running."""

    folder: Path
    store: CampaignStore
    accepted: int = 0

    def accept_next(self, **figures: float) -> str:
        """Commit the next planned repeat; the cell that it is of."""
        slot = self.store.remaining_slots()[0]
        ref = self.store.begin_attempt(slot, started_utc=START, start_s=0.0, boot_id="boot-1")
        self.store.commit_attempt(ref, {"verdict": "accepted", "average_fps": 118.25} | figures)
        self.accepted += 1
        return slot.cell_id

    def tell(self, **changes: Any) -> None:
        """Write a beacon as the running campaign would."""
        live = {
            "pid": os.getpid(),
            "written_utc": datetime.now(UTC).isoformat(),
            "phase": "cooldown",
            "cell_id": "glass-canyon.default.quiet",
            "repeat_index": 1,
            "attempt_index": 1,
            "accepted": self.accepted,
            "wanted": 8,
            "phase_s": 42.0,
            "phase_left_s": 95.0,
            "ends_in_s": 5400.0,
            "readings": {"core_temp_c": 51.0, "power_w": 31.5},
            "detail": "waiting for 45 °C",
            "history": [{"t_s": 5.0 * i, "core_temp_c": 70 - i, "power_w": 300 - i} for i in range(20)],
        }
        (self.folder / "live.json").write_text(json.dumps(live | changes), encoding="utf-8")


@pytest.fixture
def night(tmp_path: Path) -> Iterator[Night]:
    plan = Plan.model_validate(tomllib.loads(PLAN))
    cells = expand(plan)
    folder = tmp_path / "night-one"
    facts = RigFacts(rig_id="rig-1", boot_id="boot-1", facts={})
    store = CampaignStore.open(
        folder,
        plan_text=PLAN,
        plan_source="night.toml",
        cells=cells,
        slots=arrange(plan, cells),
        facts=facts,
        now_utc=START,
    )
    made = Night(folder, store)
    made.accept_next()
    made.tell()
    log = {"timestamp": "2026-03-14T20:06:00Z", "level": "warning", "event": "<b>odd</b>", "file": "<i>x</i>"}
    (folder / "log.jsonl").write_text(json.dumps(log) + "\n{broken\n", encoding="utf-8")
    yield made
    store.close()


@dataclass
class Server:
    """A server that can be stopped and started again on the same port."""

    folder: Path
    access: Access = field(default_factory=lambda: Access(None))
    port: int = 0
    _server: Any = None
    _thread: threading.Thread | None = None

    def start(self) -> None:
        import uvicorn

        from harness.watch.app import make_app
        from harness.watch.protocol import HEADER_BYTES, BoundedProtocol

        config = uvicorn.Config(
            make_app(self.folder, self.access, period_s=0.1),
            host="127.0.0.1",
            port=self.port,
            http=BoundedProtocol,
            h11_max_incomplete_event_size=HEADER_BYTES,
            log_level="error",
            lifespan="off",
            timeout_graceful_shutdown=0,
        )
        self._server = uvicorn.Server(config)
        listener = config.bind_socket()
        self.port = listener.getsockname()[1]
        self._thread = threading.Thread(target=self._server.run, kwargs={"sockets": [listener]}, daemon=True)
        self._thread.start()
        until = time.monotonic() + 10
        while not self._server.started and time.monotonic() < until:
            time.sleep(0.01)

    def stop(self) -> None:
        if self._server is not None:
            self._server.should_exit = True
            self._server.force_exit = True
            assert self._thread is not None
            self._thread.join(timeout=10)
            self._server = None

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}/"


@pytest.fixture
def serve() -> Iterator[Callable[..., Server]]:
    started: list[Server] = []

    def start(folder: Path, access: Access | None = None) -> Server:
        server = Server(folder, access or Access(None))
        server.start()
        started.append(server)
        return server

    yield start
    for server in started:
        server.stop()
