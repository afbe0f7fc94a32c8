"""Table ``[rig]`` of a plan: which card it is about."""

from __future__ import annotations

from typing import ClassVar

from pydantic import Field

from harness.plan.parts import Part


class RigTable(Part):
    """Table ``[rig]``. A folder's card is kept by the rig's identity, not by this word."""

    APART: ClassVar[str] = "*"

    card: str | None = Field(
        default=None,
        min_length=1,
        description="the card under test: PCI address, UUID, or a part of its name that no other card has",
    )
