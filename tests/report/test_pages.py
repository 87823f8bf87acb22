import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from tests.report import synthetic
from xrdfilm.analysis.picture import FilmPicture, TickRow
from xrdfilm.report.content import film_content, flatten, short_reason
from xrdfilm.report.html import asset, index_page, sheet_page
from xrdfilm.report.names import LONGEST, slugs
from xrdfilm.report.overview import run_content
from xrdfilm.report.strip import position_strip, quantity_traces

NASTY = [
    "<script>alert('x')</script>",
    "</script><img src=x onerror=alert(1)>",
    "\"quoted\" & 'single' <b>",
    "فيلم ١٢٣ עברית",
    "x" * 200,
    "../../etc/passwd",
    "con",
    "{{ 7*7 }}",
    "膜 №7",
    "a\x00b\x1b[31m",
]


class Reader(HTMLParser):
    """Collects tags, attributes and text of a page."""

    def __init__(self, page):
        super().__init__()
        self.tags, self.attributes, self.text = [], [], []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, *pair) for pair in attrs]

    def handle_data(self, data):
        self.text.append(data)


@pytest.fixture(scope="module")
def run():
    return synthetic.run(12, points=400)


@pytest.fixture(scope="module")
def content(run):
    return run_content(run[0])


def index_of(result, content):
    strip = position_strip(result.films, [film.slug for film in content.films])
    return index_page(content, strip, quantity_traces(result.films), pdf=True)


def test_worst_films_first(content):
    verdicts = [content.films[i].verdict for i in content.order]
    assert verdicts == sorted(verdicts, key=["fail", "unreadable", "undecided", "pass"].index)
    assert sorted(content.order) == list(range(12))
    assert {v: n for v, _, n in content.counts} == {
        "pass": 7,
        "undecided": 1,
        "unreadable": 1,
        "fail": 3,
    }


def test_verdict_is_told_in_words_and_shape(run, content):
    for index, film in enumerate(content.films):
        page = sheet_page(content, index, run[1].get(film.name), pdf=True)
        assert f"<strong>{film.verdict_word}</strong>" in page
        assert f'<i class="mark mark-{film.verdict}"></i>' in page
    style = asset("xrdfilm.css").decode()
    signs = re.findall(r"\.mark-(\w+)[^{]*\{ background-image: url\(\"([^\"]+)\"\)", style)
    assert {name for name, _ in signs} == {film.verdict for film in content.films}
    outlines = {re.sub("%23[0-9a-f]+", "", drawing) for _, drawing in signs}
    assert len(outlines) == len(signs)  # told apart without colour


def test_a_sheet_says_all_that_is_known(run, content):
    page = " ".join("".join(Reader(sheet_page(content, 5, None, pdf=False)).text).split())
    for words in (
        "if aligned like the film", "if random", "least that would show", "15 vol%",
        "conversion", "HF still bound", "poisonous by breath", "soluble barium",
        "YBCO (006), falls on YBCO (020): cannot be held apart", "χ² 4.1",
        "Axis set by substrate lines", "Intensities fall off", "SHA-256", "mosaic_deg.c_axis",
        "intervals at 95 %", "recipe: growth_time_min",
    ):  # fmt: skip
        assert words in page, words


@pytest.mark.parametrize(
    ("orientation", "without", "said"),
    [
        ("aligned (00l)", "random", ("12", "does not fit")),
        ("random", "aligned", ("does not fit", "18")),
        (None, "random", ("12", "not measured")),
    ],
)
def test_an_assumption_that_the_lines_refuse_is_told(run, orientation, without, said):
    film = run[0].films[5]
    changed = {"orientation": orientation, f"volume_fraction_{without}": None}
    told = film.fluoride.model_copy(update=changed)
    found = film_content(film.model_copy(update={"fluoride": told}), "x").fluoride
    assert found.aligned.startswith(said[0])
    assert found.random.startswith(said[1])


def test_what_phases_have_in_common_stands_once(run):
    film = run[0].films[5]
    note = "not above 7.7 % of volume, if its grains are random"
    unseen = [p.model_copy(update={"note": note, "lines": []}) for p in film.phases]
    found = film_content(film.model_copy(update={"phases": unseen}), "x")
    assert {text for _, _, text in found.phases} == {"not above 7.7 % of volume"}
    assert "at random" in found.phases_note
    other = [p.model_copy(update={"note": "one line of its own"}) for p in film.phases]
    assert film_content(film.model_copy(update={"phases": other}), "x").phases_note == ""


def test_nothing_is_asked_of_the_network(run, content):
    pages = [index_of(run[0], content)] + [
        sheet_page(content, i, run[1].get(f.name), pdf=True) for i, f in enumerate(content.films)
    ]
    for page in pages:
        links = [v for _, name, v in Reader(page).attributes if name in ("href", "src")]
        assert links
        assert not [v for v in links if re.match(r"\w+:", v) and v != "data:,"]
        policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page).group(1)
        assert policy.startswith("default-src 'none'")
        assert "unsafe" not in policy
        assert not re.search(r"<[^>]+\sstyle=|<[^>]+\son\w+=|<script>(?!<)", page)


def pages_of(run, name):
    """Index and first sheet of the run with ``name`` put wherever a text comes from a file."""
    result, pictures = run
    film = result.films[5]
    changed = film.model_copy(
        update={
            "film": name,
            "warnings": [name],
            "recipe": {name: name},
            "provenance": film.provenance.model_copy(
                update={"files": {name: "0" * 64}, "settings": {"note": name}}
            ),
        }
    )
    notes = result.run.model_copy(update={"id": name, "operator_note": name})
    content_of = result.model_copy(update={"films": [changed, *result.films[1:]], "run": notes})
    row = TickRow(name, np.array([20.0]), (name,), "film")
    content = run_content(content_of)
    sheet = sheet_page(content, 0, replace(pictures["R-0142-06"], ticks=(row,)), pdf=True)
    return index_of(content_of, content), sheet


@pytest.mark.parametrize("name", NASTY)
def test_names_from_files_do_no_harm(run, name):
    for page, plain in zip(pages_of(run, name), pages_of(run, "harmless"), strict=True):
        found = Reader(page)
        assert found.tags == Reader(plain).tags
        assert name.replace("\x00", "") in "".join(found.text).replace("\x00", "")


def test_slugs_are_safe_short_and_distinct():
    names = [*NASTY, "Film 1", "film 1", "FILM-1", "x" * 200, "film.", "a/b", "a\\b"]
    found = slugs(names)
    assert len({slug.lower() for slug in found}) == len(names)
    for slug in found:
        assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]*", slug), slug
        assert len(slug) <= LONGEST + 12
        assert not re.fullmatch(r"(?i)con|nul|aux|prn", slug)
    assert slugs(["R-0142-01"]) == ["R-0142-01"]
    assert found == slugs(names)


def test_short_reason_names_the_first_broken_limit(run):
    films = {film.film: film for film in run[0].films}
    assert short_reason(films["R-0142-09"]) == "BaCeO3 is seen; it must not be seen."
    assert short_reason(films["R-0142-01"]) == "Keeps every limit of grade long-length."
    assert "expected 2 columns" in short_reason(films["R-0142-11"])
    rng = np.random.default_rng(1)
    bare = synthetic.film_record("x", synthetic.KINDS["good"], rng, limits=None)
    assert "No limits were given" in short_reason(bare)


def test_settings_are_flattened_in_words():
    settings = {"a": {"b": 1.5, "c": None}, "d": True, "e": [{"phase": "CeO2", "t": 75}], "f": []}
    assert list(flatten(settings)) == [
        ("a.b", "1.5"),
        ("a.c", "not stated"),
        ("d", "yes"),
        ("e", "CeO2 75"),
        ("f", "none"),
    ]


def test_the_same_run_gives_the_same_pages(run, content):
    again = run_content(run[0])
    assert index_of(run[0], content) == index_of(run[0], again)
    assert sheet_page(content, 0, run[1]["R-0142-01"], pdf=True) == sheet_page(
        again, 0, run[1]["R-0142-01"], pdf=True
    )


def test_a_picture_checks_its_shapes():
    axis = np.linspace(10, 20, 11)
    with pytest.raises(ValueError, match=r"fitted has shape \(10,\)"):
        FilmPicture(axis, axis, fitted=axis[:-1])
    with pytest.raises(ValueError, match="2 places but 1 labels"):
        TickRow("YBCO", np.array([1.0, 2.0]), ("001",))


def test_residuals_are_in_standard_uncertainties():
    axis = np.linspace(10, 20, 3)
    counts = np.array([110.0, 90.0, 7.0])
    fitted = np.array([100.0, 100.0, np.nan])
    residuals = FilmPicture(axis, counts, fitted).residuals
    assert residuals[:2].tolist() == [1.0, -1.0]
    assert np.isnan(residuals[2])
    stated = FilmPicture(axis, counts, fitted, sigma=np.array([5.0, 5.0, 5.0])).residuals
    assert stated[0] == 2.0
