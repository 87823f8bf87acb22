"""A cluster on the loopback: a scheduler, two worker processes, one of them killed midway."""

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tests.long_run import CHUNK, FILMS, write_run
from xrdfilm.errors import XrdfilmError
from xrdfilm.runs import chunks, cluster
from xrdfilm.runs import judge as run
from xrdfilm.runs.cluster import Cluster
from xrdfilm.runs.gather import gather_runs
from xrdfilm.runs.judge import judge_run
from xrdfilm.runs.streaming import judge_to_files

pytest.importorskip("distributed")

ROOT = Path(__file__).parents[2]


@dataclass
class Loopback:
    """Scheduler and workers as processes of this test."""

    folder: Path
    address: str = ""
    scheduler: subprocess.Popen[bytes] | None = None
    workers: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def start_scheduler(self) -> None:
        place = self.folder / "scheduler.json"
        self.scheduler = self._start(
            "dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
            "--scheduler-file", str(place),
        )  # fmt: skip
        for _ in range(1200):
            if place.is_file() and place.stat().st_size:
                break
            time.sleep(0.05)
        self.address = json.loads(place.read_text())["address"]

    def start_worker(self) -> None:
        self.workers.append(
            self._start(
                "dask_worker",
                self.address,
                "--no-nanny",
                "--nthreads",
                "1",
                "--no-dashboard",
                "--local-directory",
                str(self.folder),
            )
        )

    def wait_for(self, number: int) -> None:
        from distributed import Client

        with Client(self.address, set_as_default=False) as client:
            client.wait_for_workers(number, timeout=120)

    def _start(self, what: str, *options: str) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            [sys.executable, "-W", "ignore", "-m", f"distributed.cli.{what}", *options],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            cwd=ROOT,
        )

    def stop(self) -> None:
        for process in (*self.workers, self.scheduler):
            if process is not None:
                process.kill()
                process.wait()


@pytest.fixture(scope="module")
def loopback(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Loopback]:
    found = Loopback(tmp_path_factory.mktemp("dask"))
    try:
        found.start_scheduler()
        yield found
    finally:
        found.stop()


@pytest.mark.filterwarnings("ignore")  # what dask's own event loop leaves behind
def test_a_cluster_gives_the_same_results_though_a_worker_is_killed(
    loopback: Loopback, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(chunks, "CHUNK_FILMS", CHUNK)
    monkeypatch.setattr(run, "CHUNK_FILMS", CHUNK)
    with pytest.raises(XrdfilmError, match="no workers"):
        Cluster(loopback.address)
    loopback.start_worker()
    loopback.start_worker()
    loopback.wait_for(2)
    folder = write_run(tmp_path / "run")
    (planned,) = gather_runs([folder], out=tmp_path / "out")
    told: list[str] = []

    def tick(film: str) -> None:
        if not told:
            loopback.workers[0].kill()
        told.append(film)

    with Cluster(loopback.address) as place:
        assert place.cores == 2
        assert place.notes == ()
        written = judge_to_files(planned, tick=tick, executor=place, workers=place.cores)
        assert written.resumed == 0
        shipped = judge_run(
            planned, with_pictures=False, executor=place, workers=1, ship_scans=True
        ).result
    assert told == [f"f{n:02d}" for n in range(FILMS)]
    here = judge_run(planned, with_pictures=False).result
    films = json.loads(written.results.read_text())["films"]
    assert films == json.loads(here.to_json())["films"]
    assert shipped == here

    # another version among the workers is told before any work is given out
    monkeypatch.setattr(cluster, "__version__", "0.0.0")
    with pytest.raises(XrdfilmError, match=r"another version of xrdfilm than 0\.0\.0"):
        Cluster(loopback.address)


def test_nobody_answers() -> None:
    pytest.importorskip("distributed")
    cluster_timeout = cluster.CONNECT_S
    try:
        cluster.CONNECT_S = 1
        with pytest.raises(XrdfilmError, match="no scheduler answers"):
            Cluster("tcp://127.0.0.1:9")
    finally:
        cluster.CONNECT_S = cluster_timeout
