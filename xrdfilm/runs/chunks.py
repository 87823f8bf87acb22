"""A chunk of films, from names to judged records: the unit of work, of resuming and of transport.

Films are cut into chunks by their number alone, so that the same films are fitted together
whatever the number of workers and however often a run was interrupted: results are the same to
the bit.
"""

from __future__ import annotations

import gc
import hashlib
import pickle
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace

from xrdfilm import __version__
from xrdfilm.analysis.film import FilmAnalyser
from xrdfilm.analysis.film_picture import film_picture
from xrdfilm.analysis.picture import FilmPicture
from xrdfilm.errors import XrdfilmError
from xrdfilm.runfile import FilmTable
from xrdfilm.runs.setup import FilmScans, RunSetup

CHUNK_FILMS = 32


@dataclass(frozen=True, slots=True, eq=False)
class SharedSetup:
    """A pickled `RunSetup` and its digest, by which a worker keeps it between chunks."""

    data: bytes
    digest: str
    version: str = __version__

    @classmethod
    def of(cls, setup: RunSetup) -> SharedSetup:
        """Pack a setup; the list of films stays behind."""
        packed = replace(setup, planned=replace(setup.planned, films=()))
        data = pickle.dumps(packed, protocol=pickle.HIGHEST_PROTOCOL)
        return cls(data, hashlib.sha256(data).hexdigest())


@dataclass(frozen=True, slots=True, eq=False)
class Chunk:
    """Films to be judged together; ``scans`` None: the worker reads them itself."""

    number: int
    shared: SharedSetup
    tables: tuple[FilmTable, ...]
    with_pictures: bool
    scans: tuple[FilmScans, ...] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class JudgedChunk:
    """The records of a chunk's films as JSON, in their order, and their pictures by name.

    ``marks`` are those of each film's files as they were read (`FilmScans.marks`).
    """

    number: int
    records: tuple[str, ...]
    pictures: dict[str, FilmPicture]
    marks: tuple[tuple[str, ...], ...]


class _Warm(threading.local):
    """What a thread keeps between chunks of one run."""

    digest: str | None = None
    kept: tuple[RunSetup, FilmAnalyser] | None = None


_warm_here = _Warm()


@contextmanager
def _without_collection() -> Iterator[None]:
    """Put off the search for cycles of garbage: a chunk makes many objects and hardly any."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


@_without_collection()
def judge_chunk(chunk: Chunk) -> JudgedChunk:
    """Read, analyse and judge the films of a chunk; runs in any process."""
    setup, analyser = _warm(chunk.shared)
    scans = chunk.scans or tuple(setup.read_scans(table) for table in chunk.tables)
    inputs = [
        setup.film_input(table, read) for table, read in zip(chunk.tables, scans, strict=True)
    ]
    analyses = analyser.analyse(inputs)
    records = tuple(
        setup.record(table, analysis, read.hashes).model_dump_json()
        for table, analysis, read in zip(chunk.tables, analyses, scans, strict=True)
    )
    pictures: dict[str, FilmPicture] = {}
    if chunk.with_pictures:
        for analysis in analyses:
            picture = film_picture(analysis)
            if picture is not None:
                pictures[analysis.name] = picture
    return JudgedChunk(chunk.number, records, pictures, tuple(read.marks for read in scans))


def _warm(shared: SharedSetup) -> tuple[RunSetup, FilmAnalyser]:
    """The setup and an analyser that keep what films of one run share, one run at a time."""
    if shared.version != __version__:
        raise XrdfilmError(
            f"this worker has xrdfilm {__version__}, the run was given out by {shared.version}; "
            "install the same version everywhere"
        )
    if _warm_here.kept is None or _warm_here.digest != shared.digest:
        _warm_here.kept = (pickle.loads(shared.data), FilmAnalyser())
        _warm_here.digest = shared.digest
    return _warm_here.kept


def cut(films: Sequence[FilmTable]) -> Iterator[tuple[int, tuple[FilmTable, ...]]]:
    """The films in chunks, numbered from 0."""
    for number, first in enumerate(range(0, len(films), CHUNK_FILMS)):
        yield number, tuple(films[first : first + CHUNK_FILMS])
