"""Work on a hostile file in a forked child: a C library that hangs or crashes takes only it down.

HDF5 walks on-disk structures in C; a damaged file can send it round in circles or out of bounds,
and neither can be caught in the process itself. Where there is no fork the work is done in place.
"""

from __future__ import annotations

import contextlib
import faulthandler
import os
import pickle
import select
import signal
import sys
import time
import warnings
from collections.abc import Callable
from typing import TypeVar

if sys.platform != "win32":
    import resource

Result = TypeVar("Result")


class GuardedError(Exception):
    """The child did not come back with a result; the message says how it ended."""


def guarded(work: Callable[[], Result], seconds: float) -> Result:
    """The result of ``work``, done in a child for at most ``seconds``.

    The result must pickle. Raises `GuardedError` where the child crashed or ran out of time;
    what ``work`` itself raises must be part of its result.
    """
    if sys.platform == "win32":
        return work()
    source, sink = os.pipe()
    with warnings.catch_warnings():
        # A fork beside threads is safe here: the child only computes, writes and exits.
        warnings.simplefilter("ignore", DeprecationWarning)
        child = os.fork()
    if child == 0:
        _in_child(work, source, sink, seconds)
    os.close(sink)
    try:
        data = _read_until(source, time.monotonic() + seconds)
    finally:
        os.close(source)
        with contextlib.suppress(ProcessLookupError):
            os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
    if data is None:
        raise GuardedError(f"took over {seconds:g} s")
    if not data:
        raise GuardedError("crashed the library that reads it")
    result: Result = pickle.loads(data)
    return result


def _in_child(work: Callable[[], object], source: int, sink: int, seconds: float) -> None:
    """Do the work, write what came of it, and leave without any of the parent's clean-up."""
    try:
        os.close(source)
        faulthandler.disable()  # a crash is told by the parent, in one sentence
        # The parent's kill is the rule; this ends the child even where the parent is gone.
        most = int(seconds) + 2
        if sys.platform != "win32":
            resource.setrlimit(resource.RLIMIT_CPU, (most, most))
        with os.fdopen(sink, "wb") as file:
            pickle.dump(work(), file, protocol=pickle.HIGHEST_PROTOCOL)
    finally:
        os._exit(0)


def _read_until(source: int, deadline: float) -> bytes | None:
    """All bytes up to the end of the pipe; None where they do not end in time."""
    parts: list[bytes] = []
    while True:
        left = deadline - time.monotonic()
        if left <= 0 or not select.select([source], [], [], left)[0]:
            return None
        part = os.read(source, 1 << 20)
        if not part:
            return b"".join(parts)
        parts.append(part)
