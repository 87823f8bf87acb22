"""Work in a child comes back, or its end is told: a crash, a hang."""

from __future__ import annotations

import os
import signal
import time

import numpy as np
import pytest

from xrdfilm.readers.guarded import GuardedError, guarded

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork on this system")


def test_a_large_result_comes_back() -> None:
    expected = np.arange(300_000.0)
    np.testing.assert_array_equal(guarded(lambda: np.arange(300_000.0), 60.0), expected)


def test_the_work_is_done_elsewhere() -> None:
    assert guarded(os.getpid, 60.0) != os.getpid()


def test_a_crash_is_told() -> None:
    with pytest.raises(GuardedError, match="crashed"):
        guarded(lambda: os.kill(os.getpid(), signal.SIGSEGV), 60.0)


def test_a_hang_ends() -> None:
    with pytest.raises(GuardedError, match=r"took over 0\.2 s"):
        guarded(lambda: time.sleep(3600), 0.2)


def test_no_child_is_left_behind() -> None:
    guarded(int, 60.0)
    with pytest.raises(ChildProcessError):
        os.waitpid(-1, os.WNOHANG)
