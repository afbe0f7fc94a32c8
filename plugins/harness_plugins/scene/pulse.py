"""Loads at given times on a card: ``python -m harness_plugins.scene.pulse --program FILE --log FILE``.

The program has a line for each load, ``begin_s,length_s`` from the program's start. Once the card is ready
it prints ``begins T`` (``time.perf_counter``, the rig's clock), and at the end ``done N``. The log has a line
for each load as it was, ``begin_s,end_s`` on that clock. It ends when its standard input is closed.

How much work makes a load of a wanted length is measured before, and followed while it runs, since a card's
clock changes. Python is in time for a load's begin by waiting for the last stretch without sleeping.
"""

from __future__ import annotations

import argparse
import csv
import gc
import os
import struct
import sys
import threading
import time
from importlib import resources
from pathlib import Path
from typing import Any

from harness_plugins.scene.gpu_device import choose_adapter, describe_adapter, is_software, load_wgpu

#: Before a load's begin this process no longer sleeps.
_AWAKE_S = 0.002
_LEAD_S = 0.5
#: Lanes of a card, and of a program that stands in for one.
_GROUPS, _SOFTWARE_GROUPS = 8192, 8
#: No single piece of work may be longer, as systems reset a card that works on one for 2 s.
_LONGEST_S = 0.25
_MOST_ROUNDS = 1 << 30
_TRIAL_S = 0.02
#: How quickly the measured speed follows.
_FOLLOW = 0.2


class Pulser:
    """A card that works for a wanted time.

    Args:
        card: Vendor and device number, as ``10de:2330``; None: the best adapter.
        adapter: Part of the name of an adapter.
    """

    def __init__(self, card: str | None, adapter: str | None) -> None:
        wgpu = load_wgpu()
        self.adapter = choose_adapter(adapter, card)
        self._groups = _SOFTWARE_GROUPS if is_software(self.adapter) else _GROUPS
        self._device = self.adapter.request_device_sync()
        usage = wgpu.BufferUsage
        self._work = self._device.create_buffer(size=16, usage=usage.UNIFORM | usage.COPY_DST)
        kept = self._device.create_buffer(size=4096, usage=usage.STORAGE)
        source = resources.files("harness_plugins.scene") / "wgsl" / "pulse.wgsl"
        module = self._device.create_shader_module(code=source.read_text("utf-8"))
        self._pipeline = self._device.create_compute_pipeline(
            layout="auto", compute={"module": module, "entry_point": "main"}
        )
        entries = [
            {"binding": number, "resource": {"buffer": buffer, "offset": 0, "size": buffer.size}}
            for number, buffer in enumerate((self._work, kept))
        ]
        self._group = self._device.create_bind_group(
            layout=self._pipeline.get_bind_group_layout(0), entries=entries
        )
        self._seed = 0
        self._overhead_s = 0.0
        self._rounds_per_s = 1e4
        self._learn()

    def describe(self) -> str:
        return f"multiply and add on {describe_adapter(self.adapter)}"

    def pulse(self, wanted_s: float) -> tuple[float, float]:
        """Work for about so long, now. Returns when it began and ended, ``time.perf_counter``."""
        wanted_s = min(wanted_s, _LONGEST_S)
        rounds = min(_MOST_ROUNDS, max(1, round((wanted_s - self._overhead_s / 2) * self._rounds_per_s)))
        before_s, after_s = self._run(rounds)
        took_s = after_s - before_s - self._overhead_s
        if took_s > 0.0005:
            self._rounds_per_s += _FOLLOW * (rounds / took_s - self._rounds_per_s)
        return before_s + self._overhead_s / 2, max(
            before_s + self._overhead_s / 2, after_s - self._overhead_s / 2
        )

    def ready_next(self) -> None:
        """Record the commands of the next load, while there is time."""
        encoder = self._device.create_command_encoder()
        work = encoder.begin_compute_pass()
        work.set_pipeline(self._pipeline)
        work.set_bind_group(0, self._group)
        work.dispatch_workgroups(self._groups)
        work.end()
        self._commands = encoder.finish()

    def close(self) -> None:
        self._device.destroy()

    def _run(self, rounds: int) -> tuple[float, float]:
        commands = self._commands
        self._seed += 1
        self._device.queue.write_buffer(self._work, 0, struct.pack("<2I", rounds, self._seed & 0xFFFF))
        before_s = time.perf_counter()
        self._device.queue.submit([commands])
        self._wait()
        after_s = time.perf_counter()
        self.ready_next()
        return before_s, after_s

    def _wait(self) -> None:
        poll_wait = getattr(self._device, "_poll_wait", None)  # a private name; see gpu_device.Canvas.wait
        if poll_wait is not None:
            poll_wait()
        else:
            self._device.queue.on_submitted_work_done_async().sync_wait()

    def _learn(self) -> None:
        """Measure what handing over costs, and how fast the card is once it is awake."""
        self.ready_next()
        for _ in range(5):
            self._run(1)
        empty_s = sorted(b - a for a, b in (self._run(1) for _ in range(21)))
        self._overhead_s = empty_s[10]
        rounds, took_s = 64, 0.0
        while took_s < _TRIAL_S and rounds < _MOST_ROUNDS:
            before_s, after_s = self._run(rounds)
            took_s = after_s - before_s - self._overhead_s
            rounds = min(_MOST_ROUNDS, rounds * (2 if took_s < _TRIAL_S / 2 else 4 // 2))
            self._rounds_per_s = max(1.0, rounds / 2 / max(took_s, 1e-4))
        for _ in range(40):
            self.pulse(_TRIAL_S)


def play(pulser: Pulser, loads: list[tuple[float, float]], log: Any, stopped: threading.Event) -> int:
    """Work at the planned times; returns how many loads were done."""
    now = time.perf_counter
    start_s = now() + _LEAD_S
    print(f"begins {start_s:.7f}", flush=True)
    lines: list[str] = []
    done = 0
    for number, (begin_s, length_s) in enumerate(loads):
        due_s = start_s + begin_s
        while not stopped.is_set() and (left_s := due_s - _AWAKE_S - now()) > 0:
            time.sleep(min(left_s, 0.25))
        if stopped.is_set():
            break
        # One that is so late that the next is due is left out; the log tells.
        after_s = start_s + (loads[number + 1][0] if number + 1 < len(loads) else begin_s + length_s)
        if now() > max(due_s + length_s, min(after_s, due_s + 2 * length_s)):
            continue
        while now() < due_s:
            pass
        began_s, ended_s = pulser.pulse(due_s + length_s - max(now(), due_s))
        lines.append(f"{began_s:.7f},{ended_s:.7f}\n")
        done += 1
        if len(lines) >= 500:
            log.writelines(lines)
            lines.clear()
    log.writelines(lines)
    return done


def main(arguments: list[str] | None = None) -> int:
    """The process."""
    parser = argparse.ArgumentParser(prog="python -m harness_plugins.scene.pulse", description=__doc__)
    parser.add_argument("--program", type=Path, required=True)
    parser.add_argument("--log", type=Path, required=True)
    parser.add_argument("--card")
    parser.add_argument("--adapter")
    args = parser.parse_args(arguments)
    stopped = threading.Event()
    threading.Thread(target=_wait_for_end_of_input, args=(stopped,), daemon=True).start()
    with args.program.open(encoding="ascii", newline="") as file:
        loads = [(float(begin), float(length)) for begin, length in csv.reader(file)]
    try:
        pulser = Pulser(args.card, args.adapter)
    except RuntimeError as error:
        print(f"error {error}", flush=True)
        return 1
    gc.disable()  # a collection would be a late load
    try:
        print(f"ready {pulser.describe()}", flush=True)
        with args.log.open("w", encoding="ascii", newline="\n") as log:
            done = play(pulser, loads, log, stopped)
        print(f"done {done}", flush=True)
    finally:
        pulser.close()
    return 0


def _wait_for_end_of_input(stopped: threading.Event) -> None:
    try:
        while os.read(0, 4096):
            pass
    except OSError:
        pass
    stopped.set()


if __name__ == "__main__":
    sys.exit(main())
