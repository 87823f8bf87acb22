"""A process that stores run after run and says on its output which are stored.

Started as ``python writer_process.py HISTORY FIRST STEP FILMS``: it stores the runs FIRST,
FIRST + STEP, ... and prints a run's number once the history has reported it as stored.
"""

from __future__ import annotations

import itertools
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.history.made import made_run
from xrdfilm.history import open_history
from xrdfilm.history.record import record_of


def main() -> None:
    path, first, step, films = sys.argv[1], *(int(a) for a in sys.argv[2:5])
    print("up", flush=True)
    with open_history(path) as history:
        for number in itertools.count(first, step):
            record = record_of(made_run(number, films))
            history.store(record)
            print(number, flush=True)


if __name__ == "__main__":
    main()
