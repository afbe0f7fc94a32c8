"""Where the models of this machine's power sensors lie: one document by card model and driver version."""

from __future__ import annotations

import platform
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from harness import inside
from harness.errors import HarnessError, StoreError
from harness.places import state_folder
from harness.power_sensor.model import PowerSensorModel, read_sensor_model

FOLDER_NAME: Final = "power-sensors"
_NOT_PLAIN: Final = re.compile(r"[^a-z0-9.]+")


def model_path(card: str, driver_version: str, state: Path | None = None) -> Path:
    """Where the model of that card under that driver lies, if there is one."""
    plain = [_NOT_PLAIN.sub("-", word.lower()).strip("-.") or "unknown" for word in (card, driver_version)]
    return (state or state_folder()) / FOLDER_NAME / f"{plain[0]}_{plain[1]}.json"


def driver_of(facts: Mapping[str, Any], driver: str) -> str:
    """The version of a card's driver; that of the kernel where the driver is a part of it.

    Args:
        facts: What is known of the card.
        driver: Name of its driver.
    """
    return str(facts.get("driver_version") or f"{driver} {platform.release()}")


def keep_model(model: PowerSensorModel, into: Path | None = None) -> Path:
    """Write a model to its place, or to a file that a person named. Raises StoreError."""
    path = into or model_path(model.card, model.driver_version)
    try:
        root = path.parent if into else path.parent.parent
        inside.make_folders(root, path.parent)
        inside.write_whole(root, path, model.as_json().encode())
    except OSError as error:
        why = error.strerror or error
        raise StoreError(f"{path}: can't be written ({why}); name another file with --power-into") from error
    return path


def known_model(card: str, driver_version: str, state: Path | None = None) -> PowerSensorModel | None:
    """The model of that card under that driver; None where there is none or it can't be read."""
    path = model_path(card, driver_version, state)
    try:
        return read_sensor_model(inside.read_text(path.parent.parent, path), str(path))
    except (OSError, HarnessError, UnicodeDecodeError):
        return None
