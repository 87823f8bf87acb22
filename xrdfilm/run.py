"""A run: read its scans, analyse its films, judge them, and gather the record.

    judged = judge_run(planned)                              # PlannedRun from xrdfilm.gather
    judged = judge_run(planned, executor=Processes(2))       # in two processes
    judged = judge_run(planned, journal_dir=planned.out_dir) # can be resumed when killed

A scan that cannot be read spoils its own film only: it is listed as "unreadable" with the reason.
Results are the same to the bit however many workers there are.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path

from xrdfilm import __version__, results
from xrdfilm.chunks import Chunk, JudgedChunk, SharedSetup, cut, judge_chunk
from xrdfilm.gather import PlannedRun
from xrdfilm.journal import NAME as JOURNAL
from xrdfilm.journal import Journal, file_mark, fingerprint
from xrdfilm.report.picture import FilmPicture
from xrdfilm.run_setup import RunSetup
from xrdfilm.runfile import FilmTable
from xrdfilm.workers import Here, Submitter, in_order

UNDER_WAY_EACH = 3  # chunks given out for each worker: one at work, the next ones waiting


@dataclass(frozen=True, slots=True, eq=False)
class JudgedRun:
    """The record of a run, and for each film with a coupled scan the arrays of its picture."""

    result: results.RunResult
    pictures: Mapping[str, FilmPicture]
    resumed: int = 0

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

    ``executor`` hands out the work (`xrdfilm.workers.Processes`, `xrdfilm.cluster.Cluster`, any
    executor of concurrent.futures, a dask client), ``workers`` of it at a time; None works here.
    With ``journal_dir`` a run that was stopped goes on where it was. ``ship_scans`` reads the
    scans here and sends them along, for workers that do not share this machine's paths.

    Raises RunFileError, LimitFileError, PhaseError or StackError for what is wrong with the run
    as a whole; what is wrong with one film goes into that film's record.
    """
    setup = RunSetup.of(planned)
    films: list[results.Film] = []
    pictures: dict[str, FilmPicture] = {}
    resumed = 0
    for chunk in stream_chunks(
        setup,
        with_pictures=with_pictures,
        executor=executor,
        workers=workers,
        journal_dir=journal_dir,
        ship_scans=ship_scans,
    ):
        resumed += len(chunk.records) if chunk.resumed else 0
        pictures.update(chunk.pictures)
        for record in chunk.records:
            films.append(results.Film.model_validate_json(record))
            if tick is not None:
                tick(films[-1].film)
    result = results.RunResult(run=setup.run_record(), films=films)
    return JudgedRun(result, pictures, resumed)


@dataclass(frozen=True, slots=True, eq=False)
class StreamedChunk:
    """The next chunk of a run in order: records as JSON, pictures, and whether it was resumed."""

    records: tuple[str, ...]
    pictures: Mapping[str, FilmPicture]
    resumed: bool = False


def stream_chunks(
    setup: RunSetup,
    *,
    with_pictures: bool,
    executor: Submitter | Executor | None = None,
    workers: int = 1,
    journal_dir: Path | None = None,
    ship_scans: bool = False,
) -> Iterator[StreamedChunk]:
    """Judge a run chunk by chunk, in order, holding only a few chunks at a time.

    Chunks that the journal holds, with the same films, files and settings, are taken from it;
    their pictures are made again only where ``with_pictures`` asks for them, which means that
    the films are analysed again.
    """
    submitter: Submitter | Executor = Here() if executor is None else executor
    shared = SharedSetup.of(setup)
    under_way = 1 if executor is None else UNDER_WAY_EACH * max(workers, 1)
    journal = None if journal_dir is None else Journal(journal_dir / JOURNAL, _settings(setup))
    try:
        if journal is None or with_pictures:
            tasks = (
                _task(setup, shared, number, tables, with_pictures, ship_scans)
                for number, tables in cut(setup.planned.films)
            )
            for judged in in_order(submitter, judge_chunk, tasks, under_way=under_way):
                yield StreamedChunk(judged.records, judged.pictures)
            return
        yield from _journalled(setup, shared, submitter, journal, under_way, ship_scans)
    finally:
        if journal is not None:
            journal.close()


def _journalled(
    setup: RunSetup,
    shared: SharedSetup,
    submitter: Submitter | Executor,
    journal: Journal,
    under_way: int,
    ship_scans: bool,
) -> Iterator[StreamedChunk]:
    import json

    keys = {number: _chunk_key(setup, tables) for number, tables in cut(setup.planned.films)}
    missing = [n for n, key in keys.items() if not journal.holds(n, key)]
    tables_of = dict(cut(setup.planned.films))
    tasks = (_task(setup, shared, n, tables_of[n], False, ship_scans) for n in missing)
    fresh: Iterator[JudgedChunk] = in_order(submitter, judge_chunk, tasks, under_way=under_way)
    to_do = set(missing)
    for number, key in keys.items():
        if number in to_do:
            judged = next(fresh)
            journal.append(number, key, judged.records)
            yield StreamedChunk(judged.records, {})
        else:
            held = tuple(json.dumps(film, ensure_ascii=False) for film in journal.records(number))
            yield StreamedChunk(held, {}, resumed=True)


def _task(
    setup: RunSetup,
    shared: SharedSetup,
    number: int,
    tables: tuple[FilmTable, ...],
    with_pictures: bool,
    ship_scans: bool,
) -> Chunk:
    scans = tuple(setup.read_scans(table) for table in tables) if ship_scans else None
    return Chunk(number, shared, tables, with_pictures, scans)


def _settings(setup: RunSetup) -> str:
    """What all films of a run share and a resumed run must share too."""
    planned = setup.planned
    stated = planned.run_file.model_dump(mode="json", exclude={"film", "films"})
    limits = None if setup.limits is None else setup.limits.model_dump(mode="json")
    phases = {table.key: file_mark(planned.path_of(table.file)) for table in planned.run_file.phase}
    return fingerprint(__version__, planned.run_id, stated, limits, phases, setup.hashes)


def _chunk_key(setup: RunSetup, tables: tuple[FilmTable, ...]) -> str:
    """The films of a chunk and the contents of their files."""
    planned = setup.planned
    marks = [
        [table.model_dump(mode="json"), *(file_mark(planned.path_of(n)) for n in table.file_names)]
        for table in tables
    ]
    return fingerprint(marks)
