"""Where the history is kept: as stated, as the environment says, or in the user's data folder."""

from __future__ import annotations

import os
from pathlib import Path

VARIABLE = "XRDFILM_HISTORY"
FILE_NAME = "history.sqlite3"


def history_path(stated: str | Path | None = None) -> Path:
    """The file of the history: ``stated``, else $XRDFILM_HISTORY, else in the user's data folder.

    A folder stands for the file ``history.sqlite3`` in it.
    """
    named = stated or os.environ.get(VARIABLE)
    if named:
        path = Path(named).expanduser()
        return path / FILE_NAME if path.is_dir() else path
    import platformdirs

    return platformdirs.user_data_path("xrdfilm", appauthor=False) / FILE_NAME


def kept_by_itself(stated: str | Path | None = None) -> Path | None:
    """Where judged runs are stored without a word: as `history_path`, where there is a history.

    None where no place is stated, in the call or the environment, and the user's data folder holds
    no history: nothing is begun there that was not asked for.
    """
    path = history_path(stated)
    return path if stated or os.environ.get(VARIABLE) or path.is_file() else None
