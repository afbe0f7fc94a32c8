"""A recorded card: the answers of a real driver, replayed underneath the plugin's own code."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness_plugins.nvml.card import Card
from harness_plugins.nvml.library import Library
from harness_plugins.nvml.recording import Replay

RECORDING = Path(__file__).with_name("recorded_card.json")


@pytest.fixture
def replay() -> Replay:
    """The recording; set ``replay.faults`` to make calls fail."""
    return Replay.from_file(RECORDING)


@pytest.fixture
def card(replay: Replay) -> Card:
    """The recorded card, open."""
    return Card(Library(replay))
