"""The journal: whole lines count, torn ones do not, other settings start anew."""

from pathlib import Path

import numpy as np
import pytest

from xrdfilm.analysis.picture import FilmPicture, GhostMark, SideScan, TickRow, Zone
from xrdfilm.errors import XrdfilmError
from xrdfilm.runs.journal import NAME, PICTURES, Journal, discard, file_mark, fingerprint
from xrdfilm.runs.picture_store import pack_pictures, unpack_pictures

RECORDS = ('{"film":"a","x":1e-05}', '{"film": "µ], [\\"films\\": [", "y":[1,2]}')


def test_records_come_back_to_the_letter(tmp_path: Path) -> None:
    with Journal(tmp_path, "s") as journal:
        journal.append(4, "k4", RECORDS)
        journal.append(2, "k2", RECORDS[:1])
        assert journal.records(4) == RECORDS
    with Journal(tmp_path, "s") as journal:
        assert not journal.restarted
        assert (journal.key(4), journal.key(2), journal.key(3)) == ("k4", "k2", None)
        assert journal.records(4) == RECORDS
        assert journal.records(2) == RECORDS[:1]


def test_a_torn_line_is_dropped_wherever_it_tears(tmp_path: Path) -> None:
    with Journal(tmp_path, "s") as journal:
        journal.append(0, "k0", RECORDS)
        whole = (tmp_path / NAME).stat().st_size
        journal.append(1, "k1", RECORDS)
    data = (tmp_path / NAME).read_bytes()
    for end in range(whole, len(data)):
        (tmp_path / NAME).write_bytes(data[:end])
        with Journal(tmp_path, "s") as journal:
            assert (journal.key(0), journal.key(1)) == ("k0", None)
            journal.append(7, "k7", RECORDS[:1])
        with Journal(tmp_path, "s") as journal:
            assert journal.records(0) == RECORDS
            assert journal.records(7) == RECORDS[:1]


def test_a_line_written_again_replaces_the_earlier_one(tmp_path: Path) -> None:
    with Journal(tmp_path, "s") as journal:
        journal.append(0, "old", RECORDS)
        journal.append(0, "new", RECORDS[:1])
    with Journal(tmp_path, "s") as journal:
        assert journal.key(0) == "new"
        assert journal.records(0) == RECORDS[:1]


@pytest.mark.parametrize("content", [b"", b"{}\n", b"\xff\xfe\x00\n", b'{"schema"'])
def test_other_settings_or_garbage_begin_anew(tmp_path: Path, content: bytes) -> None:
    with Journal(tmp_path, "s") as journal:
        journal.append(0, "k0", RECORDS, b"pictures")
    with Journal(tmp_path, "other") as journal:
        assert journal.restarted
        assert journal.key(0) is None
        assert not (tmp_path / PICTURES).exists()
    (tmp_path / NAME).write_bytes(content)
    with Journal(tmp_path, "s") as journal:
        assert journal.restarted == bool(content)
        journal.append(1, "k1", RECORDS)
    with Journal(tmp_path, "s") as journal:
        assert not journal.restarted
        assert journal.records(1) == RECORDS


def test_one_at_a_time(tmp_path: Path) -> None:
    with Journal(tmp_path, "s"), pytest.raises(XrdfilmError, match="another process is judging"):
        Journal(tmp_path, "s")


def test_a_place_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(XrdfilmError, match="--out"):
        Journal(tmp_path / "file" / "judged", "s")


def test_discarded_leaves_nothing(tmp_path: Path) -> None:
    with Journal(tmp_path, "s") as journal:
        journal.append(0, "k", RECORDS, b"pictures")
        assert journal.pictures(0) == b"pictures"
    discard(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_marks_follow_the_contents(tmp_path: Path) -> None:
    path = tmp_path / "a"
    assert file_mark(path) == file_mark(tmp_path / "b")
    assert "unreadable" in file_mark(path)
    path.write_bytes(b"1")
    first = file_mark(path)
    path.write_bytes(b"22")
    assert file_mark(path) != first
    assert fingerprint({"a": 1, "b": 2}) == fingerprint({"b": 2, "a": 1})
    assert fingerprint({"a": 1}) != fingerprint({"a": 2})


def test_pictures_survive_the_disk() -> None:
    x = np.linspace(10.0, 80.0, 50)
    fitted = np.where(x < 40.0, x, np.nan)
    side = SideScan("rocking", "rocking scan of (005)", x, x + 1.0, None, "ω / degrees")
    whole = FilmPicture(
        x, x**2, fitted, x / 3.0, np.sqrt(x),
        (TickRow("YBCO", x[:2], ("001", "002"), "film"),),
        (GhostMark(33.0, "K-beta of YBCO (005)"),), (Zone(12.0, 13.0, "excluded"),),
        (Zone(20.0, 22.0),), (side,),
    )  # fmt: skip
    back = unpack_pictures(pack_pictures({"a": whole, "ü": FilmPicture(x, x)}))
    assert list(back) == ["a", "ü"]
    for name in ("two_theta_deg", "counts", "fitted", "background", "sigma"):
        np.testing.assert_array_equal(getattr(back["a"], name), getattr(whole, name))
        if name not in ("two_theta_deg", "counts"):
            assert getattr(back["ü"], name) is None
    assert back["a"].ghosts == whole.ghosts
    assert back["a"].hidden == whole.hidden
    assert back["a"].windows == whole.windows
    assert back["a"].ticks[0].labels == ("001", "002")
    np.testing.assert_array_equal(back["a"].ticks[0].two_theta_deg, x[:2])
    np.testing.assert_array_equal(back["a"].side_scans[0].counts, x + 1.0)
    assert back["a"].side_scans[0].fitted is None
