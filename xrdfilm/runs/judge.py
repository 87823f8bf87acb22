"""A run: read its scans, analyse its films, judge them, and gather the record.

    judged = judge_run(planned)                              # PlannedRun from xrdfilm.runs.gather
    judged = judge_run(planned, executor=Processes(2))       # in two processes
    judged = judge_run(planned, journal_dir=planned.out_dir) # can be resumed when killed

A scan that cannot be read spoils its own film only: it is listed as "unreadable" with the reason.
Results are the same to the bit however many workers there are.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path

from xrdfilm import __version__, results
from xrdfilm.analysis.picture import FilmPicture
from xrdfilm.runfile import FilmTable
from xrdfilm.runs.chunks import CHUNK_FILMS, Chunk, SharedSetup, cut, judge_chunk
from xrdfilm.runs.gather import PlannedRun
from xrdfilm.runs.journal import Journal, file_mark, fingerprint
from xrdfilm.runs.picture_store import pack_pictures, unpack_pictures
from xrdfilm.runs.setup import RunSetup
from xrdfilm.runs.workers import Here, Submitter, as_finished

UNDER_WAY_EACH = 3  # chunks given out for each worker: one at work, the next ones waiting


@dataclass(frozen=True, slots=True, eq=False)
class JudgedRun:
    """The record of a run, and for each film with a coupled scan the arrays of its picture."""

    result: results.RunResult
    pictures: Mapping[str, FilmPicture]
    resumed: int = 0
    notes: tuple[str, ...] = ()

    @property
    def exit_status(self) -> int:
        """The exit status that the films' verdicts call for."""
        return exit_status({film.verdict for film in self.result.films})


def exit_status(verdicts: set[str]) -> int:
    """0 all pass, 1 some film failed, 2 some unreadable and none failed, 3 some undecided."""
    if "fail" in verdicts:
        return 1
    if "unreadable" in verdicts:
        return 2
    return 3 if "undecided" in verdicts else 0


def judge_run(
    planned: PlannedRun,
    *,
    tick: Callable[[str], None] | None = None,
    with_pictures: bool = True,
    executor: Submitter | Executor | None = None,
    workers: int = 1,
    journal_dir: Path | None = None,
    ship_scans: bool = False,
) -> JudgedRun:
    """Analyse and judge every film of a run; ``tick`` is called with each film's name when done.

    ``executor`` hands out the work (`xrdfilm.runs.workers.Processes`,
    `xrdfilm.runs.cluster.Cluster`, any executor of concurrent.futures, a dask client), ``workers``
    of it at a time; None works here. With ``journal_dir`` a run that was stopped goes on where it
    was; `xrdfilm.runs.journal.discard` ends that when the results are safe. ``ship_scans`` reads
    the scans here and sends them along, for workers that do not share this machine's paths.

    Raises RunFileError, LimitFileError, PhaseError or StackError for what is wrong with the run
    as a whole; what is wrong with one film goes into that film's record.
    """
    setup = RunSetup.of(planned)
    films: list[results.Film] = []
    pictures: dict[str, FilmPicture] = {}
    stream = RunStream(
        setup,
        with_pictures=with_pictures,
        executor=executor,
        workers=workers,
        journal_dir=journal_dir,
        ship_scans=ship_scans,
    )
    for chunk in stream:
        pictures.update(chunk.pictures)
        for record in chunk.records:
            films.append(results.Film.model_validate_json(record))
            if tick is not None:
                tick(films[-1].film)
    result = results.RunResult(run=setup.run_record(), films=films)
    return JudgedRun(result, pictures, stream.resumed, stream.notes)


@dataclass(frozen=True, slots=True, eq=False)
class StreamedChunk:
    """The next chunk of a run in order: its films' records as JSON, and their pictures."""

    records: tuple[str, ...]
    pictures: Mapping[str, FilmPicture]


@dataclass(slots=True, eq=False)
class RunStream:
    """A run judged chunk by chunk: iterate once over its chunks, which come in order.

    Only a few chunks are held at a time. Chunks that the journal holds, with the same films, files
    and settings, are taken from it; each finished chunk goes into it at once, in whatever order
    they finish. ``resumed`` counts the films taken from the journal, ``notes`` tells what of it
    could not be used.
    """

    setup: RunSetup
    with_pictures: bool = False
    executor: Submitter | Executor | None = None
    workers: int = 1
    journal_dir: Path | None = None
    ship_scans: bool = False
    resumed: int = 0
    notes: tuple[str, ...] = ()

    def __iter__(self) -> Iterator[StreamedChunk]:
        """Raises XrdfilmError where workers die over the same films again and again."""
        if self.journal_dir is None:
            for _, chunk in self._work(cut(self.setup.planned.films), None):
                yield chunk
            return
        with Journal(self.journal_dir, self._settings()) as journal:
            if journal.restarted:
                self.notes = (
                    "an earlier, stopped run had other settings, limits or phases, or another "
                    "version of the program: all films are judged anew",
                )
            yield from self._journalled(journal)

    def _journalled(self, journal: Journal) -> Iterator[StreamedChunk]:
        held: set[int] = set()
        changed = 0
        for number, tables in cut(self.setup.planned.films):
            key = journal.key(number)
            if key is None:
                continue
            if key == _chunk_key(tables, [self.setup.marks_now(table) for table in tables]):
                held.add(number)
                self.resumed += len(tables)
            else:
                changed += len(tables)
        if changed:
            self.notes = (
                f"{changed} films of an earlier, stopped run are judged anew: their scans or what "
                "is stated of them changed, or a film near them in the list came or went",
            )
        missing = (item for item in cut(self.setup.planned.films) if item[0] not in held)
        fresh = self._work(missing, journal)
        for number, _ in cut(self.setup.planned.films):
            if number in held:
                packed = journal.pictures(number) if self.with_pictures else None
                pictures = {} if packed is None else unpack_pictures(packed)
                yield StreamedChunk(journal.records(number), pictures)
                continue
            yield next(fresh)[1]

    def _work(
        self, chunks: Iterable[tuple[int, tuple[FilmTable, ...]]], journal: Journal | None
    ) -> Iterator[tuple[int, StreamedChunk]]:
        """Judge chunks, which come numbered in order; results in the same order."""
        submitter: Submitter | Executor = Here() if self.executor is None else self.executor
        under_way = 1 if self.executor is None else UNDER_WAY_EACH * max(self.workers, 1)
        shared = SharedSetup.of(self.setup)
        asked: deque[tuple[int, tuple[FilmTable, ...]]] = deque()

        def tasks() -> Iterator[Chunk]:
            for number, tables in chunks:
                asked.append((number, tables))
                read = self.setup.read_scans
                scans = tuple(read(table) for table in tables) if self.ship_scans else None
                yield Chunk(number, shared, tables, self.with_pictures, scans)

        done: dict[int, StreamedChunk] = {}
        for _, judged in as_finished(submitter, judge_chunk, tasks(), under_way=under_way):
            if journal is not None:
                tables = next(tables for number, tables in asked if number == judged.number)
                packed = pack_pictures(judged.pictures) if self.with_pictures else None
                key = _chunk_key(tables, judged.marks)
                journal.append(judged.number, key, judged.records, packed)
            done[judged.number] = StreamedChunk(judged.records, judged.pictures)
            while asked and asked[0][0] in done:
                number, _ = asked.popleft()
                yield number, done.pop(number)

    def _settings(self) -> str:
        """What all films of a run share and a resumed run must share too."""
        setup, planned = self.setup, self.setup.planned
        stated = planned.run_file.model_dump(mode="json", exclude={"film", "films"})
        limits = None if setup.limits is None else setup.limits.model_dump(mode="json")
        phases = {
            table.key: file_mark(planned.path_of(table.file)) for table in planned.run_file.phase
        }
        parts = (stated, limits, phases, setup.hashes, self.with_pictures)
        return fingerprint(__version__, CHUNK_FILMS, planned.run_id, parts)


def _chunk_key(tables: Sequence[FilmTable], marks: Sequence[tuple[str, ...]]) -> str:
    """The films of a chunk and the contents of their files."""
    return fingerprint(
        [[table.model_dump(mode="json"), *of] for table, of in zip(tables, marks, strict=True)]
    )
