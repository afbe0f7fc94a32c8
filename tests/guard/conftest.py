"""The pretend card for tests with real processes, loaded from the file beside this one."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest


def load_pretend() -> ModuleType:
    name = "levelrig_pretend_card"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name("pretend.py"))
        assert spec is not None
        assert spec.loader is not None
        sys.modules[name] = module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture
def pretending() -> ModuleType:
    """The module with the helpers."""
    return load_pretend()


@pytest.fixture
def pretend(pretending: Any, tmp_path: Path) -> Any:
    """A pretend card; whatever runs in its folder is ended with the test."""
    made = pretending.Pretend(tmp_path / "card")
    yield made
    pretending.end_all(str(made.folder))
