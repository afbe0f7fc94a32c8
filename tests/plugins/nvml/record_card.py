"""Records what a real card answers, for tests without one: ``python record_card.py OUT.json [SECONDS]``.

Reads only. Put the card under a changing load meanwhile, so that the readings move. The card's own identity
is replaced, in text and in bytes.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

from harness.clock import SystemClock
from harness.plan.schema import ProfileSpec
from harness.telemetry import Sampler
from harness_plugins.nvml.card import Card
from harness_plugins.nvml.control import NvmlControl
from harness_plugins.nvml.doctor import card_findings
from harness_plugins.nvml.library import Library, _installed_function
from harness_plugins.nvml.recording import Recorder
from harness_plugins.nvml.sensor import NvmlSensor

INVENTED_UUID = "GPU-00000000-1111-2222-3333-444444444444"


def main(path: Path, seconds: float) -> None:
    recorder = Recorder(_installed_function, most=60)
    card = Card(Library(recorder))
    sensor = NvmlSensor(card)
    sampler = Sampler([sensor], SystemClock(), 0.1, sensor_tries=3, on_event=print)
    sampler.start()
    time.sleep(seconds)
    sampler.stop()
    for quantity in sorted(sampler.quantities):
        t_s, values = sampler.history(quantity, 0)
        print(f"{quantity}: {t_s.size} readings, last {values[-1] if values.size else None}")
    control = NvmlControl(lambda: [card], lambda: True)
    for options in (
        {"power_limit_w": 1e6},
        {"core_clock_ceiling_mhz": 9999},
        {"core_clock_offset_mhz": 5000},
    ):
        print(*control.check(ProfileSpec(name="refused", control="nvml", options=options)))
    print(control.snapshot())
    print(control.read_back(ProfileSpec(name="as-it-is", control="nvml")))
    print(card.facts(), card.deviations())
    print(*card_findings(card), sep="\n")
    card.reopen()
    sensor.close()
    text = json.dumps(
        {
            "facts": {"model": card.name(), "driver": card.library.driver_version()},
            "answers": recorder.answers,
        },
        separators=(",", ":"),
    )
    for real, invented in (
        (card.uuid, INVENTED_UUID),
        (card.uuid.encode().hex(), INVENTED_UUID.encode().hex()),
    ):
        text = text.replace(real, invented)
    path.write_text(text + "\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]), float(sys.argv[2]) if len(sys.argv) > 2 else 10.0)
