"""What goes wrong: on demand, by chance, and the more the further a profile is beyond stability."""

from __future__ import annotations

import math
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING, Literal

from pydantic import Field

from harness.plan.parts import Part

if TYPE_CHECKING:
    import numpy as np

FaultKind = Literal[
    "launch-failure",
    "title-crash",
    "title-hang",
    "driver-reset",
    "rig-loss",
    "frame-log-missing",
    "frame-log-truncated",
    "frame-log-corrupt",
    "foreign-load",
    "ambient-jump",
    "sensor-loss",
    "disk-full",
    "slow-run",
]
#: What an unstable profile ends in, with the share of each near the edge and far beyond it.
INSTABILITY: tuple[tuple[FaultKind, float, float], ...] = (
    ("title-crash", 0.62, 0.30),
    ("title-hang", 0.15, 0.15),
    ("driver-reset", 0.20, 0.35),
    ("rig-loss", 0.03, 0.20),
)
#: Failures per second of a profile that is right at the edge of stability.
EDGE_RATE_PER_S = 1.0 / 900.0
#: The rate grows e-fold with this much less voltage.
EDGE_SCALE_MV = 5.0


class Fault(Part):
    """One fault on demand."""

    kind: FaultKind
    cell: str = Field(default="*", description="cell id or pattern with * and ?")
    run: int | None = Field(default=1, ge=1, description="which run of that cell, from 1; null: each")
    after_s: float = Field(default=20.0, ge=0, description="time after the title is ready")
    lasts_s: float = Field(default=20.0, gt=0, description="length of a foreign load or a sensor loss")
    amount: float = Field(default=5.0, description="ambient jump in K; foreign load in % / 10; slow run in %")


def failure_rate_per_s(stability_mv: float) -> float:
    """Failures per second at a voltage this far above what the silicon needs (negative: below)."""
    return EDGE_RATE_PER_S * math.exp(min(40.0, -stability_mv / EDGE_SCALE_MV))


def draw_instability(rng: np.random.Generator, stability_mv: float) -> FaultKind:
    """How an unstable profile fails: gently near the edge, taking the rig with it far beyond."""
    beyond = min(1.0, max(0.0, -stability_mv / 40.0))
    weights = [near + (far - near) * beyond for _, near, far in INSTABILITY]
    kinds = [kind for kind, _, _ in INSTABILITY]
    return kinds[int(rng.choice(len(kinds), p=[weight / sum(weights) for weight in weights]))]


def faults_of_run(
    demanded: list[Fault],
    probability: dict[FaultKind, float],
    cell_id: str,
    run: int,
    expected_s: float,
    rng: np.random.Generator,
) -> list[Fault]:
    """Faults of one run: those demanded for it, and those that chance adds (probability per run)."""
    faults = [f for f in demanded if fnmatchcase(cell_id, f.cell) and f.run in (None, run)]
    for kind in sorted(probability):
        hit, at = rng.random(), rng.random()
        if hit < probability[kind]:
            faults.append(Fault(kind=kind, cell=cell_id, run=run, after_s=at * expected_s))
    return faults
