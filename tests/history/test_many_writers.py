from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.history.killing import store_under_fire
from tests.history.made import made_run
from xrdfilm.history import open_history
from xrdfilm.history.query import summaries


def test_killed_writers_lose_nothing_that_was_told_as_stored(tmp_path: Path) -> None:
    tally = store_under_fire(tmp_path / "h.db", processes=3, kills=6, films=4, seed=11)
    assert tally.faults == []
    assert tally.kills == 6
    assert 0 < len(tally.told) <= tally.found


def test_processes_that_store_the_same_runs_store_them_once(tmp_path: Path) -> None:
    """Four processes open a new file at the same moment and all store the runs 0 to 4."""
    code = (
        "import sys; sys.path.insert(0, sys.argv[2])\n"
        "from tests.history.made import made_run\n"
        "from xrdfilm.history import open_history\n"
        "with open_history(sys.argv[1]) as history:\n"
        "    print([history.store(made_run(n)).outcome for n in range(5)])\n"
    )
    root = str(Path(__file__).resolve().parents[2])
    path = tmp_path / "h.db"
    running = [
        subprocess.Popen(
            [sys.executable, "-c", code, str(path), root], stdout=subprocess.PIPE, text=True
        )
        for _ in range(4)
    ]
    told = "".join(process.communicate(timeout=120)[0] for process in running)
    assert [process.returncode for process in running] == [0] * 4
    assert (told.count("'new'"), told.count("'known'")) == (5, 15)
    with open_history(path) as history:
        assert [s.run_id for s in summaries(history)] == [made_run(n).run.id for n in range(5)]
        assert all(s.revisions == 1 for s in summaries(history))
