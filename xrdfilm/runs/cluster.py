"""A dask cluster as the place of work (extra ``scale``).

The scheduler and its workers are started by the user (see the documentation); they need the same
version of xrdfilm, and read the scans from a path that they share with this machine, unless the
scans are shipped with the tasks.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from xrdfilm import __version__
from xrdfilm.errors import XrdfilmError

CONNECT_S = 20
RETRIES = 3
WAIT_FOR_WORKERS_S = 300


class Cluster:
    """A connected dask client that `xrdfilm.runs.workers.in_order` can submit to.

    Raises XrdfilmError where dask is missing, nobody answers, no worker is there, or a worker
    has another version of xrdfilm. ``notes`` tells of other differences.
    """

    def __init__(self, address: str) -> None:
        self.notes: tuple[str, ...] = ()
        try:
            from distributed import Client
        except ImportError:
            raise XrdfilmError(
                "a cluster needs dask's distributed: pip install 'xrdfilm[scale]'"
            ) from None
        try:
            make: Any = Client
            self._client: Any = make(address, timeout=CONNECT_S, set_as_default=False)
        except (OSError, ValueError, TimeoutError) as problem:
            raise XrdfilmError(f"no scheduler answers at {address} ({problem})") from None
        workers = self._client.scheduler_info(n_workers=-1)["workers"]
        if not workers:
            self.close()
            raise XrdfilmError(
                f"the scheduler at {address} has no workers; start some with: dask worker {address}"
            )
        self._alone_since: float | None = None
        self.cores = sum(int(worker["nthreads"]) for worker in workers.values())
        self._check_versions()

    def _check_versions(self) -> None:
        here = _versions()
        try:
            there: dict[str, dict[str, str]] = self._client.run(_versions)
        except Exception as problem:  # whatever loading or asking another version brings up
            self.close()
            raise XrdfilmError(
                f"the workers have no xrdfilm {__version__} that answers ({problem}); install the "
                "same version everywhere"
            ) from None
        others = {
            name: f"{name} has {found['xrdfilm']}"
            for name, found in sorted(there.items())
            if found["xrdfilm"] != here["xrdfilm"]
        }
        if others:
            self.close()
            raise XrdfilmError(
                f"workers with another version of xrdfilm than {here['xrdfilm']}: "
                f"{', '.join(others.values())}; install the same version everywhere, or results "
                "would differ"
            )
        unlike = {
            f"{package} {found[package]} (here {here[package]})"
            for found in there.values()
            for package in here
            if found[package] != here[package]
        }
        if unlike:
            self.notes = (
                f"workers run on {', '.join(sorted(unlike))}: results may differ in rounding",
            )

    def submit(self, function: Callable[..., Any], /, *args: Any) -> Any:
        """Give a task to the cluster; a lost worker's task is done again by another."""
        return self._client.submit(function, *args, pure=False, retries=RETRIES)

    def check(self) -> None:
        """Raises XrdfilmError where the scheduler is gone, or no worker was there for a while."""
        if self._client.status not in ("running", "connecting"):
            raise XrdfilmError(
                "the scheduler is gone; judge again to go on where this stopped"
            ) from None
        if self._client.scheduler_info(n_workers=1)["workers"]:
            self._alone_since = None
            return
        now = time.monotonic()
        if self._alone_since is None:
            self._alone_since = now
        if now - self._alone_since > WAIT_FOR_WORKERS_S:
            raise XrdfilmError(
                f"the scheduler has had no worker for {WAIT_FOR_WORKERS_S} s; start some and judge "
                "again to go on where this stopped"
            )

    def explain(self, problem: BaseException) -> XrdfilmError | None:
        """What an exception of the cluster's own means for the user; None for any other."""
        from concurrent.futures import CancelledError

        from distributed.scheduler import KilledWorker

        if isinstance(problem, KilledWorker):
            return XrdfilmError(
                "several workers died over the same films; judge them with --workers 1 to see why"
            )
        if isinstance(problem, CancelledError):
            return XrdfilmError(
                "the scheduler gave up the work (lost or restarted); judge again to go on where "
                "this stopped"
            )
        return None

    def close(self) -> None:
        """Leave the cluster; it stays up."""
        self._client.close()

    def __enter__(self) -> Cluster:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _versions() -> dict[str, str]:
    """Versions on which results depend; runs on the workers."""
    import importlib.metadata
    import platform

    found = {"python": platform.python_version()}
    for package in ("numpy", "scipy"):
        try:
            found[package] = importlib.metadata.version(package)
        except importlib.metadata.PackageNotFoundError:
            found[package] = "none"
    found["xrdfilm"] = __version__
    return found
