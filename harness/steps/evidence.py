"""What is kept of an attempt's steps: pictures at its points and of a failure, and an account.

The names are a contract with the report (:data:`harness.plan.steps_table.STEP_FILES`).
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from harness import inside
from harness.log import get_logger
from harness.plan.steps_table import ACCOUNT_NAME
from harness.steps.likeness import Picture, Pixels, save_png

#: Steps that the account tells, at most.
MOST_TOLD: Final = 2000

log = get_logger("levelrig.steps")


@dataclass
class Evidence:
    """Writes it. What can't be written is noted in the log and costs nothing else.

    Args:
        folder: The attempt's folder.
    """

    folder: Path
    steps: list[dict[str, Any]] = field(default_factory=list)

    def picture(self, name: str, pixels: Pixels | None) -> None:
        """Keep a picture of one of :data:`harness.plan.steps_table.PICTURES`."""
        if pixels is None:
            return
        try:
            save_png(self.folder / f"screen.{name}.png", pixels)
        except (OSError, ValueError) as error:
            log.warning("a picture could not be kept", name=name, error=str(error))

    def wanted(self, picture: Picture | None) -> None:
        """Keep the picture that a failed step wanted."""
        self.picture("wanted", None if picture is None else picture.pixels)

    def tell(self, at_s: float, place: str, what: str) -> None:
        """A step was done, or a wait was met; ``at_s`` since the launch."""
        if len(self.steps) < MOST_TOLD:
            self.steps.append({"at_s": round(at_s, 3), "step": place, "came": what})

    def write(self, failure: str, marks: list[str]) -> None:
        """Write the account, whole or not at all."""
        content = json.dumps({"steps": self.steps, "failure": failure, "marks": marks}, ensure_ascii=False)
        path = self.folder / ACCOUNT_NAME
        part = path.with_name(path.name + ".part")
        try:
            with os.fdopen(inside.create(part.parent, part), "w", encoding="utf-8") as file:
                file.write(content)
            inside.replace(path.parent, part, path)
        except OSError as error:
            log.warning("the account of steps could not be kept", error=str(error))
