"""Work dies alone, can be stopped, and never holds more workers than it may."""

import os
import signal
import time

import pytest

from xrdfilm.serve.jobs import Jobs


def good(connection, text):
    connection.send(("progress", "half way", 1, 2))
    connection.send(("done", text))
    connection.close()


def crashing(connection):
    os.kill(os.getpid(), signal.SIGSEGV)


def leaving(connection):
    os._exit(7)


def refusing(connection):
    connection.send(("error", "the scan is empty"))


def endless(connection):
    while True:
        time.sleep(0.05)


def slow(connection, *_):
    """Stands for a long analysis: one film of three is done, the next takes for ever."""
    connection.send(("progress", "judging films", 1, 3))
    endless(connection)


@pytest.fixture
def jobs():
    found = Jobs(1)
    yield found
    found.stop_all()


def ended(job, wait_s=30.0):
    end = time.monotonic() + wait_s
    while not job.over and time.monotonic() < end:
        time.sleep(0.02)
    return job


def start(jobs, function, *arguments, run="r", **options):
    return jobs.start(function, arguments, run_key=run, title="t", then="/", **options)


def test_work_that_is_done(jobs):
    seen = []
    job = ended(start(jobs, good, "all well", after=seen.append))
    time.sleep(0.1)
    assert (job.state, job.message, job.done, job.total) == ("done", "all well", 1, 2)
    assert seen == [job]


@pytest.mark.parametrize(
    ("function", "told"),
    [(crashing, "SIGSEGV"), (leaving, "status 7"), (refusing, "the scan is empty")],
)
def test_a_crash_is_told_and_the_next_work_goes_on(jobs, function, told):
    job = ended(start(jobs, function))
    assert job.state == "failed"
    assert told in job.message
    assert ended(start(jobs, good, "fine")).state == "done"


def test_stopping_ends_the_process_and_frees_its_place(jobs):
    job = start(jobs, endless)
    waiting = start(jobs, good, "later", run="other")
    while job.state != "working":
        time.sleep(0.02)
    assert waiting.state == "waiting"
    job.stop.set()
    assert ended(job).state == "stopped"
    assert ended(waiting).state == "done"


def test_work_that_waits_can_be_stopped_too(jobs):
    first, second = start(jobs, endless), start(jobs, endless, run="other")
    second.stop.set()
    assert ended(second).state == "stopped"
    first.stop.set()
    assert ended(first).state == "stopped"


def test_one_work_a_run_at_a_time(jobs):
    first = start(jobs, endless)
    assert start(jobs, good, "x") is first
    assert jobs.of_run("r") is first
    first.stop.set()
    ended(first)
    assert jobs.of_run("r") is None
