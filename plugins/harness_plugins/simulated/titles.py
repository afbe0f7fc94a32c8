"""Character of a title: what limits it, how it scales, how its scenes and its frame times vary.

:mod:`.drawn` draws one from a title's name; any part of it can be set instead. A plan is read by what stands
here, without NumPy.
"""

from __future__ import annotations

from typing import Any, ClassVar

from pydantic import BaseModel, Field, create_model

from harness.plan.parts import Part

#: Step of the simulation and of a title's scenes.
STEP_S = 0.1


class TitleCharacter(Part):
    """How a title behaves on the model card in its factory state."""

    gpu_ms: float = Field(default=8.0, gt=0, description="card's time for a mean frame at its highest clock")
    cpu_ms: float = Field(
        default=4.5, gt=0, description="processor's time for a mean frame on all its threads"
    )
    clock_share: float = Field(
        default=0.56, ge=0, le=1, description="share of the card's time that goes with the core clock"
    )
    activity: float = Field(
        default=1.0, ge=0, le=1.5, description="switching activity of the card at full load"
    )
    thread_share: float = Field(
        default=0.5, ge=0, le=1, description="share of the processor's time that threads divide"
    )
    cpu_load_pct: float = Field(default=35.0, ge=0, le=100, description="processor load at full frame rate")
    frame_cap_fps: float | None = Field(default=None, gt=0, description="cap on the frame rate; null: none")
    pass_s: float = Field(default=60.0, gt=0, description="length of one pass of its scenes")
    scene_count: int = Field(default=7, ge=1, description="scenes in a pass")
    scene_spread_pct: float = Field(
        default=14.0, ge=0, le=80, description="spread of the work between scenes"
    )
    frame_noise_pct: float = Field(default=4.0, ge=0, le=50, description="spread from frame to frame")
    frame_correlation: float = Field(default=0.85, ge=0, lt=1, description="of that spread, frame to frame")
    spike_pct: float = Field(default=2.5, ge=0, le=50, description="frames that the processor delays")
    spike_ms: float = Field(default=6.0, ge=0, description="least length of such a delay")
    spike_tail: float = Field(
        default=5.0, gt=2, description="Pareto exponent of such a delay; smaller: heavier"
    )
    stutters_per_min: float = Field(default=6.0, ge=0, description="shader compilation in the first minute")
    stutter_decay_s: float = Field(default=45.0, gt=0, description="after this long a third of them is left")
    stutter_ms: float = Field(default=45.0, ge=0, description="median length of such a stutter")
    run_noise_pct: float = Field(default=0.4, ge=0, le=20, description="spread from run to run")
    load_s: float = Field(default=15.0, ge=0, description="start-up until the first frame that counts")
    memory_mib: float = Field(default=7000.0, ge=0, description="memory of the card in use")


def _option_fields() -> dict[str, Any]:
    fields: dict[str, Any] = {}
    for name, field in TitleCharacter.model_fields.items():
        fields[name] = (field.annotation | None, Field(default=None, description=field.description))  # type: ignore[operator]
    return fields


class _AllBear(Part):
    BEARS: ClassVar[str] = "*"


#: Model of the plan's keys for a title of this plugin's own kind: any part of the character.
TitleOptions: type[BaseModel] = create_model("TitleOptions", __base__=_AllBear, **_option_fields())
