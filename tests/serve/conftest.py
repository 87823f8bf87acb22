"""A real server on a free loopback port, in a thread of the test process."""

from __future__ import annotations

import re
import threading
import time
from contextlib import contextmanager

import pytest

from tests.invented import premises_on, scan_of

pytest.importorskip("starlette", reason="the extra serve is not installed; the page is not tested")
httpx = pytest.importorskip("httpx")
import uvicorn  # noqa: E402

from xrdfilm.serve.app import create_app  # noqa: E402
from xrdfilm.serve.jobs import Jobs  # noqa: E402
from xrdfilm.serve.listen import listening_socket  # noqa: E402
from xrdfilm.serve.safety import Limits  # noqa: E402

STATEMENT = {
    "stack.film": "YBCO",
    "stack.thickness_nm": "400",
    "stack.substrate": "SrTiO3",
    "optics.anode": "Cu",
    "optics.divergence_deg": "0,5",
    "optics.step_time_s": "1",
    "assumptions.c_axis_mosaic_deg": "1.0",
    "assumptions.mosaic_factor": "1.05",
    "limit.0.quantity": "a_axis_fraction",
    "limit.0.max": "0.10",
    "limit.1.quantity": "c_A",
    "limit.1.max": "11.74",
    "risk": "0.05",
}


def text_of(scan) -> str:
    return "".join(f"{x:.4f} {y:.0f}\n" for x, y in zip(scan.axis_deg, scan.counts, strict=True))


@pytest.fixture(scope="session")
def scans():
    """Three invented scans: good, much a-axis, and good with a false line at (005)."""
    premises = premises_on("crystal", 1.0)
    good, _ = scan_of(premises, seed=1, c_axis=0.98, a_axis=0.01, random=0.01)
    bad, _ = scan_of(premises, seed=2, c_axis=0.68, a_axis=0.30, random=0.02)
    third, _ = scan_of(premises, seed=3, c_axis=0.97, a_axis=0.02, random=0.01)
    return {name: text_of(s) for name, s in (("g1", good), ("a2", bad), ("g3", third))}


@contextmanager
def serving(store, history, **options):
    app = create_app(store, history, jobs=Jobs(2), **options)
    socket = listening_socket("127.0.0.1", 0)
    config = uvicorn.Config(app, log_level="critical", timeout_graceful_shutdown=2, ws="none")
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [socket]}, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.02)
    try:
        yield f"http://127.0.0.1:{socket.getsockname()[1]}", app.setup
    finally:
        server.should_exit = True
        thread.join(10)
        socket.close()


SMALL = Limits(body_bytes=2_000_000, file_bytes=1_000_000, files=20, silence_s=0.7, body_s=4.0)


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    folder = tmp_path_factory.mktemp("desk")
    with serving(folder / "store", folder / "h.sqlite3", limits=SMALL) as found:
        yield found


_OPEN = []


@pytest.fixture(scope="module", autouse=True)
def clients_closed():
    yield
    while _OPEN:
        _OPEN.pop().close()


class Client:
    """A browser without a window or a script: keeps its cookie and the form token."""

    def __init__(self, base: str, **options) -> None:
        self.http = httpx.Client(base_url=base, follow_redirects=True, timeout=60.0, **options)
        _OPEN.append(self.http)

    def get(self, path: str, **options):
        return self.http.get(path, **options)

    def token(self, path: str = "/new") -> str:
        found = re.search(r'name="form_token" value="([0-9a-f]+)"', self.get(path).text)
        assert found is not None
        return found.group(1)

    def post(self, path: str, data=None, *, files=None, **options):
        return self.http.post(
            path, data={"form_token": self.token(), **(data or {})}, files=files, **options
        )

    def drop(self, files: dict[str, str | bytes], name: str = ""):
        return self.post("/new", {"name": name}, files=[("files", item) for item in files.items()])

    def settled(self, answer, wait_s: float = 240.0):
        """Wait for the work that an answer leads to; gives the page it ends on."""
        end = time.monotonic() + wait_s
        while "/job/" in str(answer.url) and time.monotonic() < end:
            if 'data-over="yes"' in answer.text:
                return answer
            time.sleep(0.1)
            answer = self.get(str(answer.url))
        return answer

    def judged(self, scans: dict[str, str], name: str = "T-1", **more: str) -> str:
        """Drop scans, state them, have them judged; gives the run's address."""
        answer = self.drop({f"{n}.xy": text for n, text in scans.items()}, name)
        assert answer.url.path.endswith("/state"), answer.text
        address = answer.url.path.removesuffix("state")
        rows = {
            key: value
            for i, n in enumerate(scans)
            for key, value in (
                (f"file.{i}.name", f"{n}.xy"),
                (f"file.{i}.use", "coupled"),
                (f"file.{i}.film", n),
                (f"file.{i}.position_m", str(10 * i)),
            )
        }
        form = {"run.id": name, **STATEMENT, **rows, "then": "judge", **more}
        done = self.settled(self.post(f"{address}state", form))
        assert done.url.path == address, done.text
        return address


@pytest.fixture
def client(server):
    return Client(server[0])
