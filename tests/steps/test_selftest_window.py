"""The self-test's window, on a real X server; and a machine that has no desk says what is missing."""

from __future__ import annotations

import importlib
from pathlib import Path
from typing import Any

import pytest

from harness.selftest_parts import NotAvailable, window_in_front
from harness.steps.desk import NoDesk
from harness.steps.opening import open_desk


def test_the_window_is_found_brought_to_the_front_and_asked_to_close(display: str, tmp_path: Path) -> None:
    pytest.importorskip("Xlib")
    said, figures = window_in_front(tmp_path)
    assert said.startswith("found, brought to the front, closed")
    assert figures["took_s"] >= 0


@pytest.mark.skipif("sys.platform == 'win32'")
def test_where_a_library_or_a_display_is_missing_it_is_said(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    real = importlib.import_module

    def without(name: str, *more: Any) -> Any:
        if name.startswith("Xlib"):
            raise ModuleNotFoundError("No module named 'Xlib'", name="Xlib")
        return real(name, *more)

    monkeypatch.setattr(importlib, "import_module", without)
    with pytest.raises(NoDesk, match="pip install 'levelrig\\[steps\\]'"):
        open_desk({"DISPLAY": ":9"})
    monkeypatch.delenv("DISPLAY", raising=False)
    with pytest.raises(NotAvailable, match="no desktop to look at"):
        window_in_front(tmp_path)
