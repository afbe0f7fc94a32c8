"""The report: one self-contained HTML page of a campaign, its tables, charts and data package.

The names below are loaded when they are asked for: the folder of a campaign is read without drawing anything.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from harness.report.package.provenance import explain
    from harness.report.write import ReportFiles, write_report

_HOMES = {"explain": "package.provenance", "ReportFiles": "write", "write_report": "write"}

__all__ = ["ReportFiles", "explain", "write_report"]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f"{__name__}.{_HOMES[name]}"), name)
