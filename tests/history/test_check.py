from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.history.made import made_run
from xrdfilm.history import History, open_history
from xrdfilm.history.check import check


@pytest.fixture
def history(tmp_path: Path) -> Iterator[History]:
    with open_history(tmp_path / "h.db") as opened:
        for number in (1, 2):
            opened.store(made_run(number))
        opened.connection.execute("PRAGMA foreign_keys = OFF")
        yield opened


def test_a_whole_history_has_no_fault(history: History) -> None:
    result = check(history)
    assert (result.runs, result.revisions, result.films, result.faults) == (2, 2, 6, ())


@pytest.mark.parametrize(
    ("damage", "told"),
    [
        ("DELETE FROM film WHERE revision_key = 2 AND place = 1", "2 films stored, 3 expected"),
        ("UPDATE packed SET columns = x'0001' WHERE packed_key = 1", "damaged"),
        ("DELETE FROM packed WHERE packed_key = 1", "figures are missing"),
        ("UPDATE figures SET centre = centre + 0.001 WHERE revision_key = 1", "its mean is stored"),
        ("DELETE FROM figures WHERE revision_key = 1", "0 quantities stored"),
        ("UPDATE document SET packed = x'00' WHERE document_key = 1", "differs from its digest"),
        ("UPDATE run SET current_revision = NULL WHERE run_key = 1", "no revision in use"),
    ],
)
def test_each_kind_of_damage_is_found(history: History, damage: str, told: str) -> None:
    history.connection.execute(damage)
    assert any(told in fault for fault in check(history).faults)
