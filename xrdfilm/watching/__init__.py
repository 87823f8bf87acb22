"""Watching a folder where scans arrive: `watcher.py` looks and judges, `journal.py` remembers,
`report.py` keeps the report up to date."""

from xrdfilm.watching.watcher import Report, Watcher, WatchPlan

__all__ = ["Report", "WatchPlan", "Watcher"]
