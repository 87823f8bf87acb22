"""Memory of the line: every judged run, its films, figures, recipe and limits in one SQLite file.

    with open_history() as history:
        history.store(result)

`store.py` writes and reads runs, `query.py` answers what a trend asks, `check.py` looks for
damage, `exchange.py` exports and imports.
"""

from xrdfilm.history.location import history_path, kept_by_itself
from xrdfilm.history.store import History, Stored, open_history

__all__ = ["History", "Stored", "history_path", "kept_by_itself", "open_history"]
