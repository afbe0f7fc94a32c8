"""What a plan may say of a built-in scene, and the facts that both of its processes share."""

from __future__ import annotations

import re
from typing import ClassVar, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

SceneName = Literal["tarn-ridge", "ember-swarm", "slow-tide"]
Backend = Literal["cpu", "gpu"]
Course = Literal["steady", "warm", "changing"]

SUMMARIES: dict[SceneName, str] = {
    "tarn-ridge": "ray-marched hills; heavy on arithmetic, even from frame to frame",
    "ember-swarm": "particles in acts that open with a burst; uneven, with a stutter at each change of act",
    "slow-tide": "waves on a large water surface; held up by memory rather than arithmetic",
}
#: Load factors of the course ``changing``, one for each 120 frames, over and over.
CHANGES: tuple[float, ...] = (1.0, 0.4, 1.6, 0.7)
_CHANGE_FRAMES = 120
_RESOLUTION = re.compile(r"^(\d{2,5})x(\d{2,5})$")


def course_factor(course: Course, frame: int) -> float:
    """What the scene's load is multiplied with at that frame (counted from 0); known in advance."""
    if course == "changing":
        return CHANGES[frame // _CHANGE_FRAMES % len(CHANGES)]
    return 1.5 if course == "warm" else 1.0


def parse_resolution(text: str) -> tuple[int, int]:
    """Width and height in pixels of ``"480x270"``. Raises ValueError."""
    match = _RESOLUTION.match(text)
    if match is None:
        raise ValueError(f"{text!r} is no resolution; write width x height in pixels, as in 480x270")
    width, height = int(match[1]), int(match[2])
    if not (32 <= width <= 16384 and 32 <= height <= 16384):
        raise ValueError(f"{text}: both sides must lie between 32 and 16384 pixels")
    return width, height


class SceneOptions(BaseModel):
    """Plan keys of ``workload = "scene"``."""

    BEARS: ClassVar[str] = "*"

    model_config = ConfigDict(frozen=True, defer_build=True, extra="forbid", allow_inf_nan=False)

    scene: SceneName = Field(
        description="which scene: " + "; ".join(f"{k}: {v}" for k, v in SUMMARIES.items())
    )
    backend: Backend = Field("cpu", description="where it is drawn: cpu, or gpu (needs the extra gpu)")
    resolution: str = Field("480x270", description="width x height in pixels; nothing is shown on a screen")
    load: float = Field(1.0, gt=0, le=1000, description="work for each frame, as a multiple of the usual")
    course: Course = Field(
        "steady",
        description="steady: always the same load; warm: one and a half times it, to bring the rig to "
        "temperature; changing: it steps through 1.0, 0.4, 1.6 and 0.7 times the load, 120 frames each",
    )
    threads: int | None = Field(
        None,
        ge=1,
        le=256,
        description="threads that draw (cpu only); default: one for each processor allowed",
    )
    frames_per_pass: int = Field(600, ge=1, le=1_000_000, description="frames until the content starts again")
    frames: int | None = Field(None, ge=1, description="end after so many frames; default: when stopped")
    seconds: float | None = Field(None, gt=0, description="end after this time; default: when stopped")
    frame_cap_fps: float | None = Field(
        None, gt=0, le=10_000, description="never faster than this frame rate"
    )
    adapter: str | None = Field(None, description="gpu only: part of the name of the card to draw on")

    @field_validator("resolution")
    @classmethod
    def _check_resolution(cls, value: str) -> str:
        parse_resolution(value)
        return value
