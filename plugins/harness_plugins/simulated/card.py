"""The card's model: all parts together, as one JSON document that can be fitted, kept and shown."""

from __future__ import annotations

from pathlib import Path

from pydantic import Field

from harness import userfiles
from harness.errors import PlanError, Problem, UserFileError
from harness.plan.documents import parse_json, read_model
from harness.plan.parts import Part

from .cooling import Cooling
from .curve import Curve
from .governor import Governor
from .power import Power
from .thermal import Network


class CardModel(Part):
    """A graphics card as the simulation knows it. The built-in one is an invented desktop card."""

    name: str = "Levelrig Model Card"
    origin: str = Field(default="built in", description="where the numbers come from")
    curve: Curve = Curve()
    power: Power = Power()
    network: Network = Network()
    cooling: Cooling = Cooling()
    governor: Governor = Governor()
    hotspot_k_per_w: float | None = Field(
        default=0.042, ge=0, description="hotspot above core; null: no reading"
    )
    memory_k_per_w: float | None = Field(
        default=0.05, ge=0, description="memory above cooler; null: no reading"
    )
    memory_clock_mhz: float = Field(default=10500.0, gt=0)
    idle_memory_clock_mhz: float = Field(default=405.0, gt=0)
    memory_total_mib: float = Field(default=16384.0, gt=0)


def load_card_model(path: Path) -> CardModel:
    """Read a model that was written as JSON. Raises PlanError."""
    try:
        text = userfiles.read_text(path, "model")
    except UserFileError as error:
        raise PlanError(str(path), [Problem("model", error.what, error.remedy)]) from error
    return read_model(CardModel, parse_json(text, str(path)), str(path))


def with_silicon(card: CardModel, spread: float) -> CardModel:
    """Another piece of the same card: ``spread`` in standard deviations moves guard band and leakage.

    Leaky silicon needs less voltage, so both move together (common practice, no source).
    """
    curve = card.curve.model_copy(update={"guard_band_mv": max(0.0, card.curve.guard_band_mv + 9.0 * spread)})
    power = card.power.model_copy(update={"leakage_w": card.power.leakage_w * (1.0 + 0.08 * spread)})
    return card.model_copy(update={"curve": curve, "power": power})
