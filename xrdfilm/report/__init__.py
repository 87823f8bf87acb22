"""Figures, pages and documents made from results; nothing is computed here."""

from xrdfilm.analysis.picture import FilmPicture, GhostMark, SideScan, TickRow, Zone
from xrdfilm.report.write import ReportPaths, write_report

__all__ = [
    "FilmPicture",
    "GhostMark",
    "ReportPaths",
    "SideScan",
    "TickRow",
    "Zone",
    "write_report",
]
