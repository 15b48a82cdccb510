"""The report of one or more runs: one HTML file that needs nothing else, and maps as PNG."""

from analysis.report.build import write_map_png, write_report

__all__ = ["write_map_png", "write_report"]
