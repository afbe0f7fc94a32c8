"""Two-node thermal network, solved exactly: die (C1) - R1 - cooler (C2) - conductance - ambient.

Within a step power, ambient and conductance are constant, so the state relaxes to its equilibrium by the
exponential of a 2 × 2 matrix, written in closed form; no step is too long for it. Source of the closed form:
any text on linear systems (spectral decomposition of a matrix with two distinct eigenvalues).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from pydantic import Field

from harness.plan.parts import Part


class Network(Part):
    """Heat capacities in J/K, thermal resistance in K/W."""

    die_j_per_k: float = Field(default=75.0, gt=0)
    die_to_cooler_k_per_w: float = Field(default=0.06, gt=0)
    cooler_j_per_k: float = Field(default=520.0, gt=0)

    def time_constants_s(self, conductance_w_per_k: float) -> tuple[float, float]:
        """Fast and slow time constant at a conductance from cooler to ambient, s."""
        fast, slow = _eigenvalues(self, conductance_w_per_k)
        return -1.0 / fast, -1.0 / slow

    def equilibrium_c(
        self, power_w: float, ambient_c: float, conductance_w_per_k: float
    ) -> tuple[float, float]:
        """Temperatures of die and cooler that steady power ends at, °C."""
        cooler_c = ambient_c + power_w / conductance_w_per_k
        return cooler_c + power_w * self.die_to_cooler_k_per_w, cooler_c

    def step(self, conductance_w_per_k: float, step_s: float) -> Step:
        """The exact step of that length at that conductance."""
        fast, slow = _eigenvalues(self, conductance_w_per_k)
        die_rate, cooler_rate = self._rates()
        a = -die_rate
        d = -cooler_rate - conductance_w_per_k / self.cooler_j_per_k
        grow_fast, grow_slow = math.exp(fast * step_s), math.exp(slow * step_s)
        weight = (grow_fast - grow_slow) / (fast - slow)
        base = (fast * grow_slow - slow * grow_fast) / (fast - slow)
        return Step(
            base + weight * a,
            weight * die_rate,
            weight * cooler_rate,
            base + weight * d,
            self.die_to_cooler_k_per_w,
            1.0 / conductance_w_per_k,
        )

    def heat_out_j(
        self,
        die_c: float,
        cooler_c: float,
        power_w: float,
        ambient_c: float,
        conductance_w_per_k: float,
        step_s: float,
    ) -> float:
        """Heat that leaves for the ambient in one step, in closed form, J.

        Integrates the cooler's temperature over the step mode by mode; energy is conserved when this plus
        the heat stored in die and cooler equals power × time.
        """
        fast, slow = _eigenvalues(self, conductance_w_per_k)
        end_die_c, end_cooler_c = self.equilibrium_c(power_w, ambient_c, conductance_w_per_k)
        x, y = die_c - end_die_c, cooler_c - end_cooler_c
        _, cooler_rate = self._rates()
        d = -cooler_rate - conductance_w_per_k / self.cooler_j_per_k
        push = cooler_rate * x + d * y
        fast_part = (push - slow * y) / (fast - slow)
        slow_part = y - fast_part
        excess_k_s = (
            fast_part * math.expm1(fast * step_s) / fast + slow_part * math.expm1(slow * step_s) / slow
        )
        return conductance_w_per_k * ((end_cooler_c - ambient_c) * step_s + excess_k_s)

    def _rates(self) -> tuple[float, float]:
        link_w_per_k = 1.0 / self.die_to_cooler_k_per_w
        return link_w_per_k / self.die_j_per_k, link_w_per_k / self.cooler_j_per_k


@dataclass(frozen=True, slots=True)
class Step:
    """Matrix exponential of one step (row by row) and what gives the equilibrium."""

    die_die: float
    die_cooler: float
    cooler_die: float
    cooler_cooler: float
    die_to_cooler_k_per_w: float
    cooler_to_ambient_k_per_w: float

    def advance(self, die_c: float, cooler_c: float, power_w: float, ambient_c: float) -> tuple[float, float]:
        """Temperatures of die and cooler after the step, °C."""
        end_cooler_c = ambient_c + power_w * self.cooler_to_ambient_k_per_w
        end_die_c = end_cooler_c + power_w * self.die_to_cooler_k_per_w
        x, y = die_c - end_die_c, cooler_c - end_cooler_c
        return (
            end_die_c + self.die_die * x + self.die_cooler * y,
            end_cooler_c + self.cooler_die * x + self.cooler_cooler * y,
        )


def _eigenvalues(network: Network, conductance_w_per_k: float) -> tuple[float, float]:
    if conductance_w_per_k <= 0:
        raise ValueError(f"conductance_w_per_k must be positive, got {conductance_w_per_k}")
    die_rate, cooler_rate = network._rates()
    loss_rate = conductance_w_per_k / network.cooler_j_per_k
    total = die_rate + cooler_rate + loss_rate
    root = math.sqrt(total * total - 4.0 * die_rate * loss_rate)
    fast = -(total + root) / 2.0
    return fast, die_rate * loss_rate / fast
