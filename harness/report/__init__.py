"""The report: tables, charts and one self-contained HTML page of a campaign folder."""

from harness.report.write import ReportFiles, write_report

__all__ = ["ReportFiles", "write_report"]
