"""Replays a trace's load on a card's model, and tells how far the model is from what was measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from .card import CardModel
from .chance import generator
from .fit import Trace
from .machine import Machine
from .options import SensorFlaws, SimulatedOptions
from .running import make_run
from .titles import TitleCharacter

#: Nothing but load: the card is always the limit, one scene, no start-up.
FULL_LOAD = TitleCharacter(cpu_ms=0.01, activity=1.0, scene_count=1, scene_spread_pct=0, load_s=0)


def replay(card: CardModel, trace: Trace, fan_start_pct: float, seed: int = 1) -> pd.DataFrame:
    """Run the machine through the trace's times of load and rest.

    Returns:
        One row per sample of the trace: ``t_s``, ``power_w``, ``core_temp_c`` (whole degrees where the
        trace has whole degrees), ``core_clock_mhz``.
    """
    options = SimulatedOptions(
        ambient_c=trace.ambient_c,
        ambient_drift_k=0,
        ambient_swing_k=0,
        sensors=SensorFlaws(power_noise_pct=0),
    )
    machine = Machine(card, options, seed)
    machine.start_clock(float(trace.t_s[0]))
    whole = bool(np.all(trace.core_temp_c == np.round(trace.core_temp_c)))
    start_c = float(trace.core_temp_c[0]) + (0.5 if whole else 0.0)
    cooler_c = start_c - float(trace.power_w[0]) * card.network.die_to_cooler_k_per_w
    machine.start_at(start_c, cooler_c, fan_start_pct)
    rows = []
    for t_s, loaded in zip(trace.t_s.tolist(), trace.loaded().tolist(), strict=True):
        if loaded and machine.run is None:
            rng = generator(seed, "replay")
            machine.begin(
                make_run(
                    "replay",
                    FULL_LOAD,
                    [1.0],
                    rng,
                    machine.steps,
                    0,
                    None,
                    1,
                    card.curve.max_clock_mhz,
                    1.0,
                    0.0,
                ),
                [],
            )
        elif not loaded and machine.run is not None:
            machine.end(0)
        machine.advance(t_s)
        core_c = float(int(machine.core_c)) if whole else machine.core_c
        rows.append((t_s, machine.power_w, core_c, machine.clock_mhz))
    return pd.DataFrame(rows, columns=["t_s", "power_w", "core_temp_c", "core_clock_mhz"])


@dataclass(frozen=True)
class PhaseMisfit:
    """How a replay of the model differs from a trace in one phase.

    Attributes:
        power_pct: Mean power, model against measured.
        clock_pct: Mean clock, model against measured.
        temperature_rms_k: Root mean square of the difference of the core temperature.
    """

    phase: str
    power_pct: float
    clock_pct: float
    temperature_rms_k: float


def compare(trace: Trace, replayed: pd.DataFrame, phases: Sequence[str]) -> list[PhaseMisfit]:
    """Compare a replay (columns of telemetry, one row per sample of the trace) phase by phase."""
    names = np.asarray(phases)
    misfits = []
    for phase in dict.fromkeys(phases):
        rows = names == phase
        measured = trace.power_w[rows].mean(), trace.core_clock_mhz[rows].mean()
        modelled = replayed["power_w"][rows].mean(), replayed["core_clock_mhz"][rows].mean()
        difference_k = replayed["core_temp_c"][rows].to_numpy() - trace.core_temp_c[rows]
        misfits.append(
            PhaseMisfit(
                phase,
                100.0 * (modelled[0] / measured[0] - 1.0),
                100.0 * (modelled[1] / measured[1] - 1.0),
                float(np.sqrt(np.mean(difference_k**2))),
            )
        )
    return misfits
