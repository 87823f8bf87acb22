"""Chunks: the unit of work is the same wherever it is done."""

import pickle
from dataclasses import replace
from pathlib import Path

import pytest

from tests.long_run import write_run
from xrdfilm.errors import XrdfilmError
from xrdfilm.runfile import FilmTable
from xrdfilm.runs.chunks import CHUNK_FILMS, Chunk, SharedSetup, cut, judge_chunk
from xrdfilm.runs.gather import gather_runs
from xrdfilm.runs.setup import RunSetup


@pytest.fixture(scope="module")
def setup(tmp_path_factory: pytest.TempPathFactory) -> RunSetup:
    folder = write_run(tmp_path_factory.mktemp("chunks") / "run")
    (planned,) = gather_runs([folder])
    return RunSetup.of(planned)


def test_films_are_cut_by_their_number_alone() -> None:
    films = [FilmTable(id=str(n), coupled="a.xy") for n in range(2 * CHUNK_FILMS + 1)]
    pieces = list(cut(films))
    assert [number for number, _ in pieces] == [0, 1, 2]
    assert [film for _, tables in pieces for film in tables] == films
    assert [len(tables) for _, tables in pieces] == [CHUNK_FILMS, CHUNK_FILMS, 1]


def test_a_chunk_travels_and_comes_out_the_same(setup: RunSetup) -> None:
    tables = setup.planned.films[3:7]
    chunk = Chunk(1, SharedSetup.of(setup), tables, with_pictures=True)
    here = judge_chunk(chunk)
    there = judge_chunk(pickle.loads(pickle.dumps(chunk)))
    assert there.records == here.records
    assert set(there.pictures) == {"f03", "f04", "f06"}  # f05 cannot be read
    assert there.marks == tuple(setup.marks_now(table) for table in tables)
    shipped = replace(chunk, scans=tuple(setup.read_scans(table) for table in tables))
    assert judge_chunk(shipped).records == here.records


def test_the_list_of_films_stays_behind(setup: RunSetup) -> None:
    packed = SharedSetup.of(setup)
    many = replace(setup.planned, films=setup.planned.films * 1000)
    assert SharedSetup.of(replace(setup, planned=many)).digest == packed.digest


def test_a_worker_of_another_version_refuses(setup: RunSetup) -> None:
    shared = replace(SharedSetup.of(setup), version="0.0.0")
    with pytest.raises(XrdfilmError, match=r"0\.0\.0"):
        judge_chunk(Chunk(0, shared, setup.planned.films[:1], with_pictures=False))


def test_one_film_is_not_changed_by_those_beside_it(setup: RunSetup) -> None:
    """Neighbours in a chunk share tables and array operations, never results."""
    shared = SharedSetup.of(setup)
    films = setup.planned.films
    alone = judge_chunk(Chunk(0, shared, films[2:3], with_pictures=False)).records[0]
    beside = judge_chunk(Chunk(0, shared, films[:5], with_pictures=False)).records[2]
    assert beside == alone


def test_marks_change_with_a_scan(setup: RunSetup, tmp_path: Path) -> None:
    table = setup.planned.films[0]
    path = setup.planned.path_of(str(table.coupled))
    before, text = setup.marks_now(table), path.read_text()
    try:
        path.write_text(text + "# a remark\n")
        assert setup.marks_now(table) != before
    finally:
        path.write_text(text)
