"""The report: one self-contained HTML page of a campaign, its tables, charts and data package."""

from harness.report.provenance import explain
from harness.report.write import ReportFiles, write_report

__all__ = ["ReportFiles", "explain", "write_report"]
