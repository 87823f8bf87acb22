from __future__ import annotations

from pathlib import Path

import pytest

from tests.history.made import made_run
from xrdfilm.errors import HistoryError
from xrdfilm.history import History, open_history
from xrdfilm.history.exchange import Form, export, import_tables
from xrdfilm.history.query import revision_key_of, summaries, use_revision


def _filled(path: Path) -> History:
    history = open_history(path)
    history.store(made_run(1), stored_at="2031-04-01T08:00:00Z")
    history.store(made_run(1, settings={"level": 0.9}), stored_at="2031-04-02T08:00:00Z")
    history.store(made_run(2, operator_note='commas, "quotes"\nand lines'), stored_at="2031-04-03")
    use_revision(history, "R-0001", 1)
    return history


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_an_import_gives_back_the_same_history(tmp_path: Path, form: Form) -> None:
    with _filled(tmp_path / "a.db") as first, open_history(tmp_path / "b.db") as second:
        paths = export(first, tmp_path / "out", form)
        assert all(path.is_file() for path in paths)
        done = import_tables(second, tmp_path / "out")
        assert (done.stored, done.known) == (3, 0)
        assert summaries(second) == summaries(first)
        for run_id, number in (("R-0001", 1), ("R-0001", 2), ("R-0002", 1)):
            mine = first.revision(revision_key_of(first, run_id, number))
            theirs = second.revision(revision_key_of(second, run_id, number))
            assert theirs.films == mine.films
            assert theirs.note == mine.note
            assert theirs.input_digest() == mine.input_digest()
            assert theirs.same_figures(mine)
        again = import_tables(second, tmp_path / "out")
        assert (again.stored, again.known) == (0, 3)
        # what a second export writes equals the first to the letter
        if form == "csv":
            for path in export(second, tmp_path / "out2", form):
                assert path.read_bytes() == (tmp_path / "out" / path.name).read_bytes()


def test_nothing_is_written_over(tmp_path: Path) -> None:
    with _filled(tmp_path / "a.db") as history:
        export(history, tmp_path / "out")
        with pytest.raises(HistoryError, match=r"holds runs\.csv"):
            export(history, tmp_path / "out")


def test_tables_that_do_not_fit_are_told(tmp_path: Path) -> None:
    with _filled(tmp_path / "a.db") as history:
        runs, films, figures = export(history, tmp_path / "out")
    text = figures.read_text().splitlines()
    with open_history(tmp_path / "b.db") as history:
        figures.write_text("\n".join([text[0], text[1].replace(",0.95,", ",much,")]))
        with pytest.raises(HistoryError, match=r"figures\.csv:2: could not convert"):
            import_tables(history, tmp_path / "out")
        figures.write_text("run,revision\n")
        with pytest.raises(HistoryError, match="has no column estimate"):
            import_tables(history, tmp_path / "out")
        figures.write_text(text[0] + "\n")
        films.write_text("\n".join(films.read_text().splitlines()[:3]) + "\n")
        with pytest.raises(HistoryError, match="2 films found"):
            import_tables(history, tmp_path / "out")
        runs.unlink()
        with pytest.raises(HistoryError, match="no exported history"):
            import_tables(history, tmp_path / "out")
