"""Empties the rings of a title's processes into one file, while it runs."""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod
from collections import Counter
from pathlib import Path
from typing import Final, TextIO

import numpy as np

from harness.capture.ring import KINDS, Records, Ring

#: Between two looks at the rings, seconds: a ring holds 6 s of 10,000 frames a second.
LOOK_EVERY_S: Final = 0.25
#: First line of a captured log.
FIRST_LINE: Final = "# levelrig capture 1"
COLUMNS: Final = (
    "kind",
    "process",
    "surface",
    "swapchain",
    "call_ns",
    "return_ns",
    "width",
    "height",
    "result",
    "thread",
    "queue",
    "image",
    "present_id",
    "largest",
)
#: Kind of a row that stands for records that the ring lost; their number is in ``image``.
LOST: Final = "lost"


class CaptureLog:
    """The file of one run: a comment, the columns, a row for each present, comments. Not thread-safe.

    Attributes:
        path: The file.
        rows: Rows of each kind so far.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.rows: Counter[str] = Counter()
        self._pixels: dict[tuple[int, int], int] = {}
        self._file: TextIO = path.open("x", encoding="ascii", newline="\n")
        self._file.write(f"{FIRST_LINE}\n{','.join(COLUMNS)}\n")
        self._file.flush()

    def comment(self, text: str) -> None:
        """Add a comment."""
        plain = " ".join(text.encode("ascii", "replace").decode().split())
        self._file.write(f"# {plain}\n")

    def add(self, process: int, records: Records) -> None:
        """Add rows in the order of the records."""
        if not len(records):
            return
        kinds = (records["kind_queue"] >> 24).tolist()
        words = [KINDS.get(kind, "unknown") for kind in kinds]
        self.rows.update(words)
        surfaces = records["surface"].tolist()
        pixels = records["width"].astype(np.int64) * records["height"]
        for surface, area in zip(surfaces, pixels.tolist(), strict=True):
            if area:
                self._pixels[process, surface] = area
        largest = max(self._pixels, key=lambda key: self._pixels[key], default=(process, surfaces[0]))
        queues = (records["kind_queue"] & 0xFFFFFF).tolist()
        before = (records[name].tolist() for name in ("swapchain", "call_ns", "return_ns", "width", "height"))
        after = (records[name].tolist() for name in ("image", "present_id"))
        rows = zip(
            words,
            [process] * len(words),
            surfaces,
            *before,
            records["result"].tolist(),
            records["thread"].tolist(),
            queues,
            *after,
            [int((process, surface) == largest) for surface in surfaces],
            strict=True,
        )
        self._file.writelines(f"{','.join(map(str, row))}\n" for row in rows)

    def add_lost(self, process: int, at_ns: int, count: int) -> None:
        """Say that so many records after that time were lost."""
        self.rows[LOST] += count
        self._file.write(f"{LOST},{process},0,0,{at_ns},{at_ns},0,0,0,0,0,{count},0,0\n")

    def flush(self) -> None:
        """Let readers see what there is."""
        self._file.flush()

    def close(self) -> None:
        """Close the file. Safe to call twice."""
        self._file.close()


class Recording(ABC):
    """Writes a log on a thread of its own, from :meth:`start` until it is finished.

    Args:
        log: Where the rows go.
        name: The thread's.

    Attributes:
        trouble: Why the recording broke off; None while all is well.
    """

    def __init__(self, log: CaptureLog, name: str) -> None:
        self._log = log
        self._ends = threading.Event()
        self._finished = False
        self.trouble: str | None = None
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def finish(self) -> None:
        """Take what is left once the title has ended, and close the log. Safe to call twice. Never raises."""
        if self._finished:
            return
        self._finished = True
        self._ends.set()
        if self._thread.is_alive():
            self._thread.join()
        try:
            self._write_last()
            self._log.close()
        except (OSError, ValueError) as error:  # the disk is full
            self.trouble = self.trouble or f"the recording broke off: {error}"
        self._release()

    @abstractmethod
    def _run(self) -> None:
        """Record until the end is asked for."""

    @abstractmethod
    def _write_last(self) -> None:
        """Write what is left."""

    @abstractmethod
    def _release(self) -> None:
        """Let go of what was read from."""


class Recorder(Recording):
    """Empties the rings in a folder.

    Args:
        rings: The folder.
        log: Where the rows go.

    Attributes:
        programs: Executable of each process that has a ring.
        failures: What processes said that they could not do, as ``space-28``.
    """

    def __init__(self, rings: Path, log: CaptureLog) -> None:
        super().__init__(log, "levelrig-capture")
        self._folder = rings
        self._rings: dict[Path, Ring] = {}
        self._last_ns: dict[Path, int] = {}
        self.programs: dict[int, str] = {}
        self.failures: set[str] = set()

    def _run(self) -> None:
        while not self._ends.wait(LOOK_EVERY_S):
            try:
                self._drain(last=False)
            except (OSError, ValueError) as error:  # the disk of the log is full, or the folder gone
                self.trouble = f"the recording broke off: {error}"
                return

    def _write_last(self) -> None:
        if self.trouble is None:
            self._drain(last=True)
        for failure in sorted(self.failures):
            self._log.comment(f"failed: {failure}")

    def _release(self) -> None:
        for ring in self._rings.values():
            ring.close()

    def _drain(self, *, last: bool) -> None:
        self._find()
        for path, ring in self._rings.items():
            taken = ring.take(last=last)
            if taken.lost:
                self._log.add_lost(ring.process_id, self._last_ns.get(path, 0), taken.lost)
            if len(taken.records):
                self._log.add(ring.process_id, taken.records)
                self._last_ns[path] = int(taken.records["call_ns"].max())
        self._log.flush()

    def _find(self) -> None:
        """Rings that are new, and what processes could not do."""
        for path in sorted(self._folder.iterdir()):
            if path.suffix == ".failed":
                self.failures.add(path.stem.partition(".")[2])
            elif path.suffix == ".ring" and path not in self._rings:
                try:
                    ring = Ring(path)
                except ValueError:
                    continue  # it is being made
                self._rings[path] = ring
                self.programs[ring.process_id] = ring.program
                self._log.comment(f"process {ring.process_id} is {ring.program}")
