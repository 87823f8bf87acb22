"""Dropping, stating, judging, adjusting, storing; and the same figures as the command."""

from __future__ import annotations

import re
import tomllib

import pytest
from click.testing import CliRunner

from tests.serve.conftest import STATEMENT
from xrdfilm.commands.judge import command as judge
from xrdfilm.history import open_history
from xrdfilm.history.query import revision_key_of


@pytest.fixture(scope="module")
def address(server, scans):
    from tests.serve.conftest import Client

    return Client(server[0]).judged(scans, "F-1")


def run_of(server, address):
    return server[1].desk.run(address.split("/")[2])


def results_by_command(run, tmp_path):
    out = tmp_path / "by command"
    CliRunner().invoke(judge, [str(run.scans), "--out", str(out), "--no-pdf", "--workers", "1"])
    return (out / "results.json").read_bytes()


def test_verdicts_are_shown_and_files_can_be_taken_away(client, address):
    page = client.get(address)
    verdicts = re.findall(r'<tr data-verdict="(\w+)">', page.text)
    assert sorted(verdicts) == ["fail", "pass", "pass"]
    stated = tomllib.loads(client.get(f"{address}run.toml").text)
    assert stated["stack"] == {"film": "YBCO", "thickness_nm": 400, "substrate": "SrTiO3"}
    assert stated["optics"]["divergence_deg"] == 0.5
    assert [film["coupled"] for film in stated["film"]] == ["g1.xy", "a2.xy", "g3.xy"]
    assert client.get(f"{address}results.json").json()["run"]["id"] == "F-1"
    assert client.get(f"{address}report.pdf").content.startswith(b"%PDF")
    assert client.get(f"{address}points/g1.json").json()["counts"]
    for name in ("desk.json", "run.toml~", "..%2fdesk.json"):
        assert client.get(f"{address}{name}").status_code == 404


def test_page_and_command_give_the_same_results_file(server, client, address, tmp_path):
    run = run_of(server, address)
    assert (run.judged / "results.json").read_bytes() == results_by_command(run, tmp_path)


def test_adjusting_storing_and_finding_it_again(server, client, scans, tmp_path):
    address = client.judged(scans, "F-2")
    sheet = f"{address}films/a2.html"
    before = client.get(sheet).text
    assert "YBCO (200)" in before
    lines = re.findall(
        r'name="line\.(\d+)\.phase" value="([^"]+)".*?name="line\.\d+\.hkl" value="([^"]+)"', before
    )
    form = {"scope": "film", "then": "try", "ranges": "20 to 21,5; 80-81"}
    for number, phase, hkl in lines:
        form |= {f"line.{number}.phase": phase, f"line.{number}.hkl": hkl}
        # without its a-axis lines nothing speaks against the film any more
        if phase == "YBCO" and hkl in ("1 0 0", "2 0 0", "3 0 0", "4 0 0"):
            form[f"line.{number}.out"] = "yes"
    done = client.settled(client.post(f"{address}films/a2/adjust", form))
    assert done.url.path == sheet
    assert "Before the last change" in done.text
    stated = tomllib.loads(client.get(f"{address}run.toml").text)["adjust"]["film"]["a2"]
    assert stated["exclude_ranges_deg"] == [[20.0, 21.5], [80.0, 81.0]]
    assert {"phase": "YBCO", "hkl": [2, 0, 0]} in stated["exclude_lines"]
    results = client.get(f"{address}results.json").json()
    verdict = {film["film"]: film["verdict"] for film in results["films"]}
    assert verdict["a2"] != "fail"
    assert verdict["g1"] == "pass"
    run = run_of(server, address)
    assert (run.judged / "results.json").read_bytes() == results_by_command(run, tmp_path)

    unsigned = client.post(f"{address}store", {"by": " ", "why": "x"})
    assert unsigned.status_code == 400
    stored = client.settled(client.post(f"{address}store", {"by": "N. N.", "why": "spikes"}))
    assert "Stored as revision 1 of run" in stored.text
    assert (run.judged / "results.json").read_bytes() == results_by_command(
        run, tmp_path / "signed"
    )
    undone = client.settled(
        client.post(f"{address}films/a2/adjust", {"then": "undo", "scope": "film"})
    )
    assert "Stored as revision" not in undone.text
    client.settled(client.post(f"{address}store", {"by": "N. N.", "why": "as measured"}))
    with open_history(server[1].history_path) as history:
        first = history.revision(revision_key_of(history, "F-2", 1))
        second = history.revision(revision_key_of(history, "F-2", 2))
    assert [f.verdict for f in second.films] == ["pass", "fail", "pass"]
    assert first.films[1].settings["adjusted"]["by"] == "N. N."
    known = client.get("/history/F-2").text
    assert "spikes" in known
    assert "as measured" in known
    assert "<td>1 film</td>" in known
    trend = client.get("/trend", params={"quantity": "c_A"})
    assert 'href="/history/F-2"' in trend.text


def test_what_is_wrong_is_told_in_the_words_of_the_run_file(client, address):
    answer = client.post(
        f"{address}state",
        {
            **STATEMENT,
            "stack.thickness_nm": "-5",
            "optics.anode": "Zz",
            "limit.0.quantity": "a_axis_fractoin",
            "file.0.name": "g1.xy",
            "file.0.use": "coupled",
        },
    )
    assert answer.status_code == 400
    assert "stack.thickness_nm: input should be greater than 0, found -5" in answer.text
    assert "optics.anode: input should be" in answer.text
    assert "did you mean &#39;a_axis_fraction&#39;?" in answer.text
    assert 'value="-5"' in answer.text
    assert 'aria-invalid="true"' in answer.text


# the form lists files by name: a2.xy stands first when it comes back
ROW = {"file.0.name": "g1.xy", "file.0.use": "coupled", "file.1.name": "a2.xy"}


@pytest.mark.parametrize(
    ("stated", "fields", "words"),
    [
        ({"stack.substrate": "SrTi03"}, ["stack.substrate"], "did you mean SrTiO3"),
        ({"stack.film": "YBCO7"}, ["stack.film"], "unknown phase &#39;YBCO7&#39;"),
        (
            {"buffer.0.phase": "CeO2", "buffer.0.thickness_nm": "75",
             "buffer.1.phase": "Ce02", "buffer.1.thickness_nm": "30"},
            ["buffer.1.phase"],
            "did you mean CeO2",
        ),
        ({"buffer.0.phase": "CeO2"}, ["buffer.0.thickness_nm"], "thickness_nm"),
        ({"stack.powder": "yes"}, ["stack.powder", "stack.substrate"], "a powder has no substrate"),
        ({"optics.slit": "variable"}, ["optics.slit", "optics.illuminated_mm"], "state illuminated_mm"),
        ({"optics.wavelength_A": "1.2"}, ["optics.wavelength_A"], "not both"),
        ({"optics.standard": "s.xy"}, ["optics.standard"], "no such file was dropped: s.xy"),
        ({"scan.columns": "1"}, ["scan.columns"], "two columns"),
        (
            {"file.1.use": "rocking", "file.1.film": "g1", "file.1.hkl": "0 0"},
            ["file.0.hkl"],
            "hkl",
        ),
        (
            {"file.1.use": "rocking", "file.1.film": "g1", "file.1.hkl": "9 9 9"},
            ["file.0.hkl"],
            "beyond this radiation",
        ),
        ({"limit.1.max": "much"}, ["limit.1.max"], "valid number"),
        ({"limit.1.max": ""}, ["limit.1.quantity"], "needs max or min"),
        ({"limit.1.quantity": "c_Å"}, ["limit.1.quantity"], "unknown quantity"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_at_once_at_its_field(client, address, stated, fields, words):
    before = client.get(f"{address}run.toml").text
    answer = client.post(f"{address}state", {**STATEMENT, **ROW, **stated, "then": "judge"})
    assert answer.status_code == 400
    assert answer.url.path == f"{address}state"
    assert words in answer.text
    marked = re.findall(r'name="([^"]+)"[^>]*aria-invalid="true"', answer.text)
    assert set(fields) <= set(marked) <= {*fields, "optics.anode"}
    assert client.get(f"{address}run.toml").text == before


def test_how_scans_are_read_is_stated_on_the_page_too(server, client, scans):
    rows = [line.split() for line in scans["g1"].splitlines()]
    text = "Angle,Left,Right\n" + "".join(f"{x},{2 * float(y):.0f},{y}\n" for x, y in rows)
    answer = client.drop({"p.csv": text}, "F-4")
    address = answer.url.path.removesuffix("state")
    form = {**STATEMENT, "file.0.name": "p.csv", "file.0.use": "coupled"}
    form |= {"scan.columns": "Angle; Right", "scan.axis": "two_theta", "then": "judge"}
    done = client.settled(client.post(f"{address}state", form))
    assert done.url.path == address
    stated = tomllib.loads(client.get(f"{address}run.toml").text)["scan"]
    assert stated == {"columns": ["Angle", "Right"], "axis": "two_theta"}
    assert 'value="Angle, Right"' in client.get(f"{address}state").text
    film = client.get(f"{address}results.json").json()["films"][0]
    assert film["verdict"] == "pass"


def test_films_that_share_a_file_stay_as_they_were_dropped(client, scans):
    films = "".join(
        f'[[film]]\nid = "{name}"\ncoupled = "both.xy"\nscan = {{ which = {which} }}\n'
        for name, which in (("one", 1), ("two", 2))
    )
    both = scans["g1"] + scans["a2"]
    done = client.settled(client.drop({"S/run.toml": films, "S/both.xy": both}))
    address = done.url.path
    assert client.get(f"{address}results.json").json()["films"][1]["film"] == "two"
    form = client.get(f"{address}state").text
    assert "Several films share a file" in form
    client.post(f"{address}state", {**STATEMENT, "then": "save"})
    stated = tomllib.loads(client.get(f"{address}run.toml").text)
    assert [film["scan"]["which"] for film in stated["film"]] == [1, 2]
    assert stated["stack"]["substrate"] == "SrTiO3"


def test_a_refused_adjustment_shows_what_was_typed(client, address):
    answer = client.post(f"{address}films/g1/adjust", {"ranges": "wide", "then": "try"})
    assert answer.status_code == 400
    assert "a range is written &#39;low to high&#39;, found &#39;wide&#39;" in answer.text
    assert 'value="wide"' in answer.text


def test_a_dropped_run_folder_is_judged_at_once(client, scans):
    files = {
        "R-9/run.toml": '[stack]\nsubstrate = "SrTiO3"\n[films]\ncoupled = "*.xy"\n',
        "R-9/p1.xy": scans["g1"],
        "R-9/judged/results.json": "{}",
    }
    done = client.settled(client.drop(files))
    assert re.fullmatch(r"/run/[0-9a-f]{12}/", done.url.path)
    assert "R-9" in done.text
    assert tomllib.loads(client.get(f"{done.url.path}run.toml").text)["run"] == {"id": "R-9"}


def test_a_scan_that_is_none_spoils_only_itself(client, scans):
    address = client.judged({"g1": scans["g1"], "no": "nothing here\n"}, "F-3")
    verdicts = re.findall(r'<tr data-verdict="(\w+)">', client.get(address).text)
    assert sorted(verdicts) == ["pass", "unreadable"]


def test_ship_map_and_comparison(client, address):
    reel = client.get(f"{address}reel", params={"shortest_fault_m": "12"})
    assert "must not ship" in reel.text
    key = address.split("/")[2]
    for how in ("overlay", "offset", "stack"):
        page = client.get("/compare", params={"film": [f"{key}/g1", f"{key}/a2"], "how": how})
        assert f'data-how="{how}"' in page.text
        assert f"/run/{key}/points/a2.json" in page.text


def test_removing_from_the_desk_needs_to_be_meant(server, client, scans):
    answer = client.drop({"p.xy": scans["g1"]}, "gone")
    address = answer.url.path.removesuffix("state")
    run = run_of(server, address)
    assert client.post(f"{address}remove").status_code == 400
    assert run.folder.is_dir()
    assert client.post(f"{address}remove", {"sure": "yes"}).url.path == "/"
    assert not run.folder.exists()
    assert client.get(address).status_code == 404
