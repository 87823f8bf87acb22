import json

import pytest
from click.testing import CliRunner

from tests.report import synthetic
from xrdfilm.commands.report import command
from xrdfilm.decision.limits import parse_limits
from xrdfilm.decision.rejudge import rejudged
from xrdfilm.errors import XrdfilmError


@pytest.fixture(scope="module")
def result():
    return synthetic.run(12, points=200)[0]


def call(*arguments):
    return CliRunner().invoke(
        command, [str(a) for a in arguments], catch_exceptions=False, standalone_mode=False
    )


def test_the_same_limits_give_the_same_verdicts(result):
    again = rejudged(result, synthetic.LIMITS)
    assert [(f.verdict, f.grade) for f in again.films] == [
        (f.verdict, f.grade) for f in result.films
    ]


def test_tighter_limits_pass_fewer_and_unreadable_stays(result):
    tight = parse_limits('[[limit]]\nquantity = "a_axis_fraction"\nmax = 0.001\n')
    again = rejudged(result, tight)
    assert not [film for film in again.films if film.verdict == "pass"]
    assert again.films[10].verdict == "unreadable"
    assert again.films[0].orientation == result.films[0].orientation


def test_command_writes_and_tells_what_changed(result, tmp_path):
    (tmp_path / "results.json").write_text(result.to_json(), encoding="utf-8")
    (tmp_path / "other.toml").write_text(
        '[[limit]]\nquantity = "a_axis_fraction"\nmax = 0.5\n', encoding="utf-8"
    )
    done = call(tmp_path / "results.json", "--limits", tmp_path / "other.toml", "--no-pdf")
    assert "R-0142-04: fail, now pass" in done.output
    assert (tmp_path / "report" / "index.html").is_file()
    record = json.loads((tmp_path / "report" / "results.json").read_text(encoding="utf-8"))
    assert record["films"][3]["verdict"] == "pass"
    sheet = (tmp_path / "report" / "films" / "R-0142-04.html").read_text(encoding="utf-8")
    assert "No drawing" in sheet
    # the record itself is left alone
    assert (tmp_path / "results.json").read_text(encoding="utf-8") == result.to_json()


@pytest.mark.parametrize(
    ("content", "words"),
    [(b"{}", "run: Field required"), (b"\xff\xfe\x00", "not UTF-8"), (None, "no such file")],
)
def test_what_is_no_record(tmp_path, content, words):
    path = tmp_path / "results.json"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(XrdfilmError, match=words):
        call(path)
