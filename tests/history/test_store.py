from __future__ import annotations

import os
import sqlite3
from pathlib import Path

import numpy as np
import pytest

from tests.history.made import made_film, made_run
from xrdfilm.errors import HistoryError
from xrdfilm.history import history_path, open_history
from xrdfilm.history.query import (
    columns_of,
    distinct_recipes,
    events,
    film_figures,
    lines,
    quantities,
    revision_key_of,
    run_figures,
    summaries,
    use_revision,
)
from xrdfilm.history.record import record_of
from xrdfilm.history.schema import MIGRATIONS, Migration, applied, migrate


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "h.sqlite3"


def _dump(path: Path) -> list[str]:
    with sqlite3.connect(path) as connection:
        dumped = list(connection.iterdump())
    connection.close()
    return dumped


def test_storing_twice_changes_nothing(path: Path) -> None:
    with open_history(path) as history:
        assert history.store(made_run(1)).outcome == "new"
    before = _dump(path)
    with open_history(path) as history:
        again = history.store(made_run(1))
    assert (again.outcome, again.run_id, again.revision) == ("known", "R-0001", 1)
    assert _dump(path) == before


def test_other_settings_are_a_new_revision_and_the_old_is_kept(path: Path) -> None:
    with open_history(path) as history:
        history.store(made_run(1))
        second = history.store(made_run(1, settings={"level": 0.9}))
        assert (second.outcome, second.revision) == ("revision", 2)
        old = history.revision(revision_key_of(history, "R-0001", 1))
        assert old.films[0].settings == {"level": 0.95}
        assert history.revision(revision_key_of(history, "R-0001")).films[0].settings == {
            "level": 0.9
        }
        # the first analysis again: known, and the later one stays in use
        third = history.store(made_run(1))
        assert (third.outcome, third.revision) == ("known", 1)
        assert "stays in use" in third.note
        use_revision(history, "R-0001", 1)
        assert summaries(history)[0].revision == 1


def test_a_revision_comes_back_whole(path: Path) -> None:
    run = made_run(4, events=[{"date": "2031-03-04", "text": "new ink lot"}], operator_note="dry")
    with open_history(path) as history:
        history.store(run)
        back = history.revision(revision_key_of(history, "R-0004"))
    wanted = record_of(run)
    assert back.films == wanted.films
    assert (back.recipe, back.events, back.note, back.day) == (
        wanted.recipe,
        wanted.events,
        wanted.note,
        wanted.day,
    )
    assert set(back.columns) == set(wanted.columns)
    for name in wanted.columns:
        np.testing.assert_array_equal(back.columns[name].low, wanted.columns[name].low)
    assert back.input_digest() == wanted.input_digest()


def test_renamed_run_is_recognised_by_its_scans(path: Path) -> None:
    with open_history(path) as history:
        history.store(made_run(1))
        renamed = history.store(made_run(1, id="copy of R-0001"))
        assert (renamed.outcome, renamed.run_id) == ("known", "R-0001")
        assert "not as copy of R-0001" in renamed.note


def test_two_folders_of_one_name_are_two_runs(path: Path) -> None:
    with open_history(path) as history:
        history.store(made_run(1, id="scans", date=None))
        other = history.store(made_run(2, id="scans", date=None))
        assert (other.outcome, other.run_id) == ("new", "scans #2")
        assert "kept as scans #2" in other.note
        assert history.store(made_run(2, id="scans", date=None)).outcome == "known"
        assert len(summaries(history)) == 2


def test_a_scan_added_to_a_run_is_a_revision_of_it(path: Path) -> None:
    run = made_run(1)
    longer = run.model_copy(update={"films": [*run.films, made_film("R-0001-99", 0.02, 11.68)]})
    with open_history(path) as history:
        history.store(run)
        assert history.store(longer).outcome == "revision"
        assert summaries(history)[0].films == 4


def test_figures_of_runs_and_films(path: Path) -> None:
    with open_history(path) as history:
        for number in (10, 9, 8):
            history.store(made_run(number))
        history.store(made_run(11, recipe={"line": "south"}))
        figures = run_figures(history, "a_axis_fraction", line="north")
        assert figures.runs == ("R-0008", "R-0009", "R-0010")
        assert run_figures(history, "a_axis_fraction", last=2).runs == ("R-0010", "R-0011")
        assert run_figures(history, "a_axis_fraction", since="2031-03-11").runs == (
            "R-0010",
            "R-0011",
        )
        films = film_figures(history, "a_axis_fraction", line="north")
        assert films.centre.size == 9
        mine = columns_of(history, "a_axis_fraction", figures.revision_keys[0])
        assert mine is not None
        np.testing.assert_array_equal(films.centre[:3], mine.centre)
        assert figures.lowest[0] == mine.centre.min()
        assert lines(history) == {"north": 3, "south": 1}
        assert quantities(history)["c_A"] == 4
        recipes, recipe_of = distinct_recipes(history, figures.revision_keys[0])
        assert recipes[recipe_of[2]] == {
            "growth_temperature_C": 780.0,
            "line": "north",
            "growth_time_min": 32.0,
        }


def test_runs_of_a_day_are_in_the_order_of_their_names(path: Path) -> None:
    with open_history(path) as history:
        for number, name in ((1, "R-10"), (2, "R-9")):
            history.store(made_run(number, id=name, date=None), stored_at="2031-05-01T10:00:00Z")
        assert run_figures(history, "c_A").runs == ("R-9", "R-10")


def test_events_are_told_once(path: Path) -> None:
    lot = {"date": "2031-03-05", "text": "new ink lot"}
    with open_history(path) as history:
        history.store(made_run(5, events=[lot]))
        history.store(made_run(6, events=[lot, {"text": "furnace service"}]))
        history.store(made_run(7))
        found = events(history)
    assert [(e.day, e.text) for e in found] == [
        ("2031-03-05", "new ink lot"),
        ("2031-03-07", "furnace service"),
    ]


def test_unknown_names_are_told_with_a_near_match(path: Path) -> None:
    with open_history(path) as history:
        history.store(made_run(1))
        with pytest.raises(HistoryError, match="did you mean a_axis_fraction"):
            run_figures(history, "a_axis_fracton")
        with pytest.raises(HistoryError, match="did you mean R-0001"):
            revision_key_of(history, "R-0011")
        with pytest.raises(HistoryError, match="no revision 7"):
            revision_key_of(history, "R-0001", 7)


def test_place_of_the_history(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XRDFILM_HISTORY", str(tmp_path / "named.db"))
    assert history_path() == tmp_path / "named.db"
    assert history_path(tmp_path) == tmp_path / "history.sqlite3"
    monkeypatch.delenv("XRDFILM_HISTORY")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert history_path().name == "history.sqlite3"
    assert history_path().parent.name == "xrdfilm"


def test_missing_history(tmp_path: Path) -> None:
    with pytest.raises(HistoryError, match="no history here yet"):
        open_history(tmp_path / "none.db", must_exist=True)
    assert not (tmp_path / "none.db").exists()


def test_foreign_files_are_refused_and_left_alone(tmp_path: Path) -> None:
    text = tmp_path / "notes.db"
    text.write_text("no database, but a long enough text to look into\n" * 40)
    with pytest.raises(HistoryError, match="damaged or no history"):
        open_history(text)
    other = tmp_path / "other.db"
    connection = sqlite3.connect(other)
    connection.execute("CREATE TABLE mine (a)")
    connection.commit()
    connection.close()
    before = other.read_bytes()
    with pytest.raises(HistoryError, match="something else"):
        open_history(other)
    assert other.read_bytes() == before


def test_folder_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(HistoryError, match="cannot use the history"):
        open_history(tmp_path / "file" / "below.db")


def test_migrations_run_once_and_newer_files_are_refused(path: Path) -> None:
    with open_history(path) as history:
        history.store(made_run(1))
        assert applied(history.connection) == [m.name for m in MIGRATIONS]
        later = (*MIGRATIONS, Migration("9999 colour", ("ALTER TABLE run ADD COLUMN colour TEXT",)))
        assert migrate(history.connection, path, later, now="x") == ["9999 colour"]
        assert migrate(history.connection, path, later, now="x") == []
        assert summaries(history)[0].run_id == "R-0001"
    with pytest.raises(HistoryError, match=r"9999 colour.*update xrdfilm"):
        open_history(path)


def test_a_migration_that_breaks_leaves_the_file_as_it_was(path: Path) -> None:
    with open_history(path) as history:
        history.store(made_run(1))
        before = list(history.connection.iterdump())
        bad = Migration("9999 bad", ("CREATE TABLE half (a)", "NO SQL AT ALL"))
        with pytest.raises(sqlite3.OperationalError):
            migrate(history.connection, path, (*MIGRATIONS, bad), now="x")
        assert list(history.connection.iterdump()) == before


def test_a_run_that_fails_half_way_is_not_stored(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_history(path) as history:
        history.store(made_run(1))
        monkeypatch.setattr("xrdfilm.history.store.pack", lambda columns: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            history.store(made_run(2))
        monkeypatch.undo()
        assert [s.run_id for s in summaries(history)] == ["R-0001"]
        assert history.connection.execute("SELECT count(*) FROM film").fetchone() == (3,)


@pytest.mark.skipif(os.name == "nt", reason="files are locked otherwise there")
def test_the_log_is_flushed_before_a_run_counts_as_stored(path: Path) -> None:
    with open_history(path) as history:
        assert history.connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert history.connection.execute("PRAGMA synchronous").fetchone() == (2,)  # FULL
