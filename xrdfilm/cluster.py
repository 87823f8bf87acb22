"""A dask cluster as the place of work (extra ``scale``).

The scheduler and its workers are started by the user (see the documentation); they need the same
version of xrdfilm, and read the scans from a path that they share with this machine, unless the
scans are shipped with the tasks.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from xrdfilm import __version__
from xrdfilm.errors import XrdfilmError

CONNECT_S = 20
RETRIES = 3


class Cluster:
    """A connected dask client that `xrdfilm.workers.in_order` can submit to.

    Raises XrdfilmError where dask is missing, nobody answers, no worker is there, or a worker
    has another version of xrdfilm.
    """

    def __init__(self, address: str) -> None:
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
        self.cores = sum(int(worker["nthreads"]) for worker in workers.values())
        versions = self._client.run(_version)
        other = {name: v for name, v in versions.items() if v != __version__}
        if other:
            self.close()
            told = ", ".join(f"{name} has {version}" for name, version in sorted(other.items()))
            raise XrdfilmError(
                f"workers with another version of xrdfilm than {__version__}: {told}; install the "
                "same version everywhere, or results would differ"
            )

    def submit(self, function: Callable[..., Any], /, *args: Any) -> Any:
        """Give a task to the cluster; a lost worker's task is done again by another."""
        return self._client.submit(function, *args, pure=False, retries=RETRIES)

    def close(self) -> None:
        """Leave the cluster; it stays up."""
        self._client.close()

    def __enter__(self) -> Cluster:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _version() -> str:
    try:
        from xrdfilm import __version__ as there
    except ImportError:
        return "none"
    return there
