"""What a hostile client may try: the page refuses, keeps nothing, and answers on."""

from __future__ import annotations

import concurrent.futures
import html
import re
import socket
import time
from urllib.parse import urlsplit

import pytest

from tests.serve.conftest import STATEMENT, Client, serving
from xrdfilm.serve.safety import HEADERS

NASTY = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>{{7*7}}"


@pytest.fixture(autouse=True)
def answers_afterwards(server):
    yield
    client = Client(server[0])
    assert client.get("/").status_code == 200
    assert client.get("/new").status_code == 200


def files_below(folder):
    return sorted(str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file())


def raw(base: str, request: bytes, *, more=(), wait_s: float = 6.0) -> bytes:
    """Send bytes as they are; gives what comes back until the server closes."""
    parts = urlsplit(base)
    with socket.create_connection((parts.hostname, parts.port), timeout=wait_s) as line:
        line.sendall(request)
        try:
            for piece in more:
                line.sendall(piece)
        except OSError:
            pass  # it was cut off
        found = b""
        try:
            while piece := line.recv(65536):
                found += piece
        except OSError:
            pass
        return found


@pytest.mark.parametrize(
    "path", ["/", "/new", "/compare", "/trend", "/desk/desk.js", "/assets/xrdfilm.css", "/nowhere"]
)
def test_every_answer_forbids_what_is_from_elsewhere(client, path):
    answer = client.get(path)
    for name, value in HEADERS.items():
        if name != "Cache-Control":
            assert answer.headers[name] == value
    assert "default-src 'self'" in answer.headers["Content-Security-Policy"]
    assert not re.search(r"""(?:src|href|action)=["']https?://""", answer.text)


@pytest.mark.parametrize(
    "path",
    [
        "/run/..%2f..%2fetc/passwd",
        "/run/000000000000/",
        "/run/%2e%2e/state",
        "/desk/..%2fapp.py",
        "/desk/desk.css%00.js",
        "/assets/..%2f..%2fhtml.py",
        "/history/..%2f..%2fetc",
        "/job/../../etc",
        "/run/../../../etc/passwd",
    ],
)
def test_paths_lead_nowhere_else(server, path):
    answer = raw(
        server[0], f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n".encode()
    )
    status = int(answer.split()[1])
    assert status in (400, 404)
    assert b"root:" not in answer


def test_traversal_in_names_of_a_drop_stays_in_the_store(server, client, scans):
    _, setup = server
    before = files_below(setup.desk.folder.parent)
    answer = client.drop(
        {"../../../evil.xy": scans["g1"], "..\\..\\evil2.xy": scans["g1"]}, "names"
    )
    assert answer.status_code == 200
    new = set(files_below(setup.desk.folder.parent)) - set(before)
    assert new
    assert all(name.startswith("store/runs/") for name in new if not name.startswith("h.sqlite3"))
    assert any(name.endswith("scans/evil.xy") for name in new)


def test_a_run_file_that_names_files_elsewhere_is_refused_whole(server, client, scans):
    _, setup = server
    before = files_below(setup.desk.folder)
    answer = client.drop(
        {"run.toml": '[[film]]\ncoupled = "../../../../etc/hostname"\n', "p.xy": scans["g1"]}
    )
    assert answer.status_code == 400
    assert "lies outside the run&#39;s folder" in answer.text
    assert files_below(setup.desk.folder) == before


def test_an_upload_that_says_it_is_too_large_is_refused_at_once(server):
    head = "POST /new HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 99999999999\r\n"
    answer = raw(server[0], f"{head}Connection: close\r\n\r\n".encode())
    assert answer.split(maxsplit=2)[1] == b"413"


def test_an_endless_upload_is_cut_off(server, client):
    base, setup = server
    before = files_below(setup.desk.folder)
    token = client.token()
    cookie = "; ".join(f"{k}={v}" for k, v in client.http.cookies.items())
    head = (
        "POST /new HTTP/1.1\r\nHost: 127.0.0.1\r\n"
        f"Cookie: {cookie}\r\nTransfer-Encoding: chunked\r\n"
        "Content-Type: multipart/form-data; boundary=b\r\n\r\n"
    ).encode()
    start = (
        f'--b\r\nContent-Disposition: form-data; name="form_token"\r\n\r\n{token}\r\n'
        '--b\r\nContent-Disposition: form-data; name="files"; filename="a.xy"\r\n\r\n'
    ).encode()
    piece = b"1.0 2\n" * 10_000
    chunks = [start, *[piece] * 60]
    answer = raw(base, head, more=(f"{len(c):x}\r\n".encode() + c + b"\r\n" for c in chunks))
    assert answer.split(maxsplit=2)[1] in (b"413",) or answer == b""
    assert files_below(setup.desk.folder) == before


def test_an_upload_that_falls_silent_is_let_go(server, client):
    base, setup = server
    cookie = "; ".join(f"{k}={v}" for k, v in {**client.http.cookies}.items())
    head = (
        f"POST /new HTTP/1.1\r\nHost: 127.0.0.1\r\nCookie: {cookie}\r\nContent-Length: 1000\r\n"
        "Content-Type: multipart/form-data; boundary=b\r\n\r\n--b\r\n"
    ).encode()
    begun = time.monotonic()
    answer = raw(base, head)
    assert answer.split(maxsplit=2)[1] == b"408"
    assert time.monotonic() - begun < 5.0
    assert not [p for p in (setup.desk.folder / "runs").iterdir() if p.name.startswith(".upload")]


def test_too_many_and_too_large_files_are_refused(server, client):
    _, setup = server
    before = files_below(setup.desk.folder)
    many = client.drop({f"p{i}.xy": "1 2\n" for i in range(25)})
    large = client.drop({"p.xy": "1.0 2\n" * 200_000})
    nothing = client.drop({"a.exe": b"MZ", "b.pdf": b"%PDF"})
    assert [a.status_code for a in (many, large, nothing)] == [400, 400, 400]
    assert "Too many files" in many.text
    assert "larger than" in large.text
    assert files_below(setup.desk.folder) == before


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://elsewhere.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_a_post_from_another_site_is_refused(server, client, headers, scans):
    _, setup = server
    before = files_below(setup.desk.folder)
    answer = client.post(
        "/new", {"name": "x"}, files=[("files", ("a.xy", scans["g1"]))], headers=headers
    )
    assert answer.status_code == 403
    assert files_below(setup.desk.folder) == before


def test_a_post_without_or_with_another_sessions_token_is_refused(server, client, scans):
    other = Client(server[0])
    for token in ("", "0" * 64, other.token()):
        answer = client.http.post(
            "/new", data={"form_token": token}, files=[("files", ("a.xy", scans["g1"]))]
        )
        assert answer.status_code == 403


def test_a_foreign_name_for_this_machine_is_refused(client):
    for host in ("evil.example", "127.0.0.1.evil.example", "[::2]", "10.0.0.1"):
        assert client.get("/", headers={"Host": host}).status_code == 421
    for host in ("localhost:99", "127.0.0.1", "[::1]:80"):
        assert client.get("/", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "TRACE"])
def test_other_methods_are_refused(client, method):
    assert client.http.request(method, "/").status_code == 405


def test_markup_in_every_text_field_stays_text(client, scans):
    answer = client.drop({f"a{NASTY}.xy": scans["g1"]}, f"M {NASTY}")
    address = answer.url.path.removesuffix("state")
    name = re.search(r'name="file\.0\.name" value="([^"]*)"', answer.text).group(1)
    form = {
        "run.id": f"M {NASTY}",
        **STATEMENT,
        "run.operator_note": NASTY,
        "recipe": f"line = {NASTY.replace('=', '')}\ngrowth = 3",
        "limit.0.note": NASTY,
        "limit.0.grade": NASTY.replace(";", ""),
        "file.0.name": html.unescape(name),
        "file.0.use": "coupled",
        "file.0.film": f"film {NASTY}",
        "then": "judge",
    }
    wrong = client.settled(
        client.post(f"{address}state", {**form, "stack.substrate": NASTY, "recipe": NASTY})
    )
    done = client.settled(client.post(f"{address}state", form))
    assert done.url.path == address, done.text
    sheet = re.search(r'href="(films/[^"]+)"', done.text).group(1)
    film = client.get(f"{address}{sheet}")
    refused = client.post(
        f"{address}{sheet.removesuffix('.html')}/adjust", {"ranges": NASTY, "line.0.move": NASTY}
    )
    stored = client.settled(client.post(f"{address}store", {"by": NASTY, "why": NASTY}))
    assert "Stored as revision" in stored.text
    known = client.get(re.search(r'href="(/history/[^"]+)"', stored.text).group(1))
    pages = [wrong, done, film, refused, stored, known, client.get("/"), client.get("/trend")]
    pages += [
        client.get("/compare"),
        client.get(f"{address}state"),
        client.get(f"/history/{NASTY}"),
    ]
    for answer in pages:
        assert "<script>alert" not in answer.text
        assert "<img src=x" not in answer.text
        assert "alert(2)&gt;49" not in answer.text
        assert "{{7*7}}" in answer.text or "7*7" not in answer.text
    assert refused.status_code == 400


def test_a_run_that_is_not_there_gives_nothing_away(server, client):
    _, setup = server
    for path in (
        "/run/abcdefabcdef/",
        "/run/ABCDEF/results.json",
        "/run/abcdefabcdef/points/x.json",
    ):
        answer = client.get(path)
        assert answer.status_code == 404
        assert str(setup.desk.folder) not in answer.text


def test_fifty_clients_at_once_lose_nothing(server, scans):
    base, setup = server
    known = {run.key for run in setup.desk.runs()}

    def visit(number: int) -> tuple[int, str]:
        client = Client(base)
        answer = client.drop({f"p{number}.xy": scans["g1"]}, f"P-{number:02d}")
        pages = [client.get(path).status_code for path in ("/", "/trend", "/compare")]
        return max(answer.status_code, *pages), answer.url.path

    with concurrent.futures.ThreadPoolExecutor(50) as crowd:
        found = list(crowd.map(visit, range(50)))
    assert {status for status, _ in found} == {200}
    new = [run for run in setup.desk.runs() if run.key not in known]
    assert sorted(run.name for run in new) == [f"P-{n:02d}" for n in range(50)]
    assert all((run.scans / f"p{int(run.name[2:])}.xy").read_text() == scans["g1"] for run in new)


TOKEN = "a-long-enough-token"


@pytest.fixture(scope="module")
def guarded(tmp_path_factory):
    folder = tmp_path_factory.mktemp("guarded")
    with serving(folder / "store", folder / "h.sqlite3", token=TOKEN) as found:
        yield found


@pytest.mark.parametrize("given_token", ["", "wrong", TOKEN[:-1], TOKEN + "x"])
def test_without_the_token_nothing_is_shown(guarded, given_token):
    client = Client(guarded[0])
    for path in ("/", "/new", "/trend", "/desk/desk.js", "/history/x"):
        answer = client.get(path, params={"token": given_token} if given_token else None)
        assert answer.status_code == 401
        assert "Drop scans" not in answer.text
    assert client.http.post("/new", data={"name": "x"}).status_code == 401
    forged = {"xrdfilm_session": "0" * 48 + "." + "0" * 64}
    assert Client(guarded[0], cookies=forged).get("/").status_code == 401


def test_with_the_token_the_address_is_cleaned_and_the_cookie_is_kept_from_scripts(guarded):
    client = Client(guarded[0])
    first = client.http.get("/trend", params={"token": TOKEN}, follow_redirects=False)
    assert (first.status_code, first.headers["location"]) == (303, "/trend")
    assert "HttpOnly" in first.headers["set-cookie"]
    assert "SameSite" in first.headers["set-cookie"]
    assert client.get("/trend").status_code == 200
    assert "open to the network" in client.get("/").text


def test_a_redirect_with_the_token_never_leaves_the_server(guarded):
    answer = raw(
        guarded[0],
        f"GET //evil.example/x?token={TOKEN} HTTP/1.1\r\nHost: h\r\nConnection: close\r\n\r\n".encode(),
    )
    assert b"location: /evil.example/x" in answer.lower()
