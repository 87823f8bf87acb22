"""The pages in a real browser: Debian's chromium without a window, from files as on a stick."""

import re
import shutil
from pathlib import Path

import numpy as np
import pytest

from tests.report import synthetic
from tests.report.test_pages import NASTY
from xrdfilm.report import write_report

playwright = pytest.importorskip(
    "playwright.sync_api", reason="playwright is not installed; the pages are not tested"
)
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed; pages not tested"),
]
AXE = Path(__file__).with_name("vendor") / "axe.min.js"


@pytest.fixture(scope="module")
def run():
    return synthetic.run(12, points=2500)


@pytest.fixture(scope="module")
def report(run, tmp_path_factory):
    return write_report(*run, tmp_path_factory.mktemp("usb stick") / "judged", pdf=True)


@pytest.fixture(scope="module")
def browser():
    with playwright.sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield chromium
        chromium.close()


class Watched:
    """A page with all that it asks for and complains of."""

    def __init__(self, browser, width):
        self.context = browser.new_context(viewport={"width": width, "height": 900})
        self.page = self.context.new_page()
        self.requests, self.complaints = [], []
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.on("console", lambda message: self.complaints.append(message.text))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("dialog", lambda dialog: self.complaints.append(dialog.message))

    def open(self, path):
        self.page.goto(path.as_uri())
        return self.page

    def assert_quiet(self):
        assert self.complaints == []
        assert all(url.startswith(("file://", "data:")) for url in self.requests), self.requests


@pytest.fixture(params=[1280, 390], ids=["desktop", "phone"])
def watched(browser, request):
    watched = Watched(browser, request.param)
    yield watched
    watched.assert_quiet()
    watched.context.close()


@pytest.fixture
def desktop(browser):
    watched = Watched(browser, 1280)
    yield watched
    watched.assert_quiet()
    watched.context.close()


def shown_films(page):
    return page.locator("#film-table tbody tr:visible th").all_inner_texts()


def column(page, heading):
    heads = page.locator("#film-table thead th").all_inner_texts()
    place = next(i for i, text in enumerate(heads) if text.startswith(heading))
    cells = page.locator(f"#film-table tbody tr td:nth-child({place + 1})")
    return [cell.get_attribute("data-key") for cell in cells.all()]


def test_run_page_sorts_by_every_column(report, desktop):
    page = desktop.open(report.index)
    first = shown_films(page)
    assert first[0] == "R-0142-04"  # the worst
    head = page.locator("#film-table thead th", has_text="Position")
    head.get_by_role("button").click()
    assert head.get_attribute("aria-sort") == "ascending"
    keys = [float(key) for key in column(page, "Position")]
    assert keys == sorted(keys)
    head.get_by_role("button").press("Enter")  # by keyboard
    assert head.get_attribute("aria-sort") == "descending"
    assert [float(key) for key in column(page, "Position")] == sorted(keys, reverse=True)
    share = page.locator("#film-table thead th", has_text="a-axis share")
    share.get_by_role("button").click()
    assert head.get_attribute("aria-sort") is None
    shares = column(page, "a-axis")
    assert shares[-1] == ""  # not measured: last, whichever way
    share.get_by_role("button").click()
    assert column(page, "a-axis")[-1] == ""
    assert sorted(shown_films(page)) == sorted(first)


def test_run_page_filters_by_verdict_and_text(report, watched):
    page = watched.open(report.index)
    assert page.locator("#shown").inner_text() == "12 of 12 shown"
    page.get_by_label("Pass").uncheck()
    assert page.locator("#shown").inner_text() == "5 of 12 shown"
    assert "R-0142-01" not in shown_films(page)
    page.get_by_label("Film or reason holds").fill("baceo3")
    assert shown_films(page) == ["R-0142-09"]
    page.get_by_label("Film or reason holds").fill("<b>")
    assert shown_films(page) == []
    page.get_by_role("button", name="Show all").click()
    assert len(shown_films(page)) == 12


def test_every_link_of_the_run_page_opens_its_film(report, desktop):
    page = desktop.open(report.index)
    page.get_by_role("link", name="R-0142-06").click()
    assert page.locator("h1").inner_text() == "R-0142-06"
    page.get_by_role("link", name="Run R-0142").click()
    assert page.locator("h1").inner_text() == "R-0142"


def test_the_drawing_holds_the_data(run, report, desktop):
    page = desktop.open(report.sheets["R-0142-06"])
    picture = run[1]["R-0142-06"]
    page.wait_for_selector("html[data-drawn]")
    assert page.evaluate("xrdfilmSheet.counts()") == picture.counts.tolist()
    assert np.allclose(page.evaluate("xrdfilmSheet.x()"), picture.two_theta_deg, atol=1e-6)
    for name, values in (("fit", picture.fitted), ("background", picture.background)):
        drawn = np.array(page.evaluate(f"xrdfilmSheet.{name}()"), dtype=float)
        assert np.array_equal(np.isnan(drawn), np.isnan(values))
        # a twelfth of the counting noise, twice where points are joined
        assert np.nanmax(np.abs(np.sqrt(drawn) - np.sqrt(values))) < 0.05
    assert page.evaluate("xrdfilmSheet.charts()") == 3
    assert page.locator("#plot canvas").count() == 3


def view(page):
    return page.evaluate("xrdfilmSheet.view()")


def settled(page):
    page.evaluate("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")


def test_zoom_by_buttons_and_line(report, watched):
    page = watched.open(report.sheets["R-0142-06"])
    whole = view(page)
    assert whole == pytest.approx([10.0, 60.0])
    page.get_by_role("button", name="Zoom in").click()
    assert view(page) == pytest.approx([22.5, 47.5])
    page.get_by_role("button", name="Move right").press("Space")
    assert view(page)[0] > 22.5
    page.get_by_role("button", name="Zoom out").click()
    page.get_by_role("button", name="Whole scan").click()
    assert view(page) == pytest.approx(whole)
    page.get_by_label("Go to").select_option(label="BaF2 (200) 28.77°")
    assert view(page) == pytest.approx([27.77, 29.77], abs=0.01)
    log = page.get_by_role("button", name="Logarithmic")
    assert log.get_attribute("aria-pressed") == "true"
    log.click()
    assert log.get_attribute("aria-pressed") == "false"
    assert view(page) == pytest.approx([27.77, 29.77], abs=0.01)  # the stretch is kept


def test_zoom_by_dragging_and_reading_a_point(report, desktop):
    page = desktop.open(report.sheets["R-0142-06"])
    page.locator("#plot").scroll_into_view_if_needed()
    box = page.locator("#plot .u-over").first.bounding_box()
    middle = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] * 0.5, middle)
    settled(page)
    assert re.search(r"2θ 3[45]\.\d+°, \d+ counts", page.locator("#readout").inner_text())
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.6, middle, steps=5)
    page.mouse.up()
    settled(page)
    assert view(page) == pytest.approx([35.0, 40.0], abs=0.2)
    page.mouse.dblclick(box["x"] + box["width"] * 0.5, middle)
    settled(page)
    assert view(page) == pytest.approx([10.0, 60.0], abs=0.1)


def test_nothing_is_wider_than_the_screen(report, watched):
    width = watched.page.viewport_size["width"]
    sheets = [report.sheets[f"R-0142-{number}"] for number in ("04", "06", "07", "11")]
    for path in (report.index, *sheets):
        page = watched.open(path)
        settled(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path.name


def test_drawing_follows_the_width(report, desktop):
    page = desktop.open(report.sheets["R-0142-01"])
    wide = page.locator("#plot canvas").first.bounding_box()["width"]
    page.set_viewport_size({"width": 700, "height": 900})
    for _ in range(20):
        settled(page)
        if page.locator("#plot canvas").first.bounding_box()["width"] < wide - 300:
            break
    assert page.locator("#plot canvas").first.bounding_box()["width"] < wide - 300
    assert page.evaluate("document.documentElement.scrollWidth") <= 700


def printed_pages(page):
    raw = page.pdf(prefer_css_page_size=True, print_background=True)
    return int(re.search(rb"/Type /Pages\s*/Count (\d+)", raw).group(1)), raw


@pytest.mark.parametrize("name", ["R-0142-01", "R-0142-06", "R-0142-11"])
def test_a_sheet_prints_on_one_page(report, desktop, name):
    page = desktop.open(report.sheets[name])
    settled(page)
    count, raw = printed_pages(page)
    assert count == 1
    assert b"/MediaBox [0 0 594.95996 841.91998]" in raw or b"/MediaBox [0 0 595" in raw


def test_a_crowded_sheet_is_set_smaller_to_fit_one_page(run, desktop, tmp_path):
    result, pictures = run
    film = result.films[5]
    looked_for = [
        film.phases[0].model_copy(update={"phase": f"Phase{i}", "note": "not above 20 % of volume"})
        for i in range(44)
    ]
    crowded = film.model_copy(update={"phases": looked_for})
    single = result.model_copy(update={"films": [crowded]})
    report = write_report(single, {film.film: pictures[film.film]}, tmp_path, pdf=False)
    page = desktop.open(report.sheets[film.film])
    settled(page)
    width = page.locator("#plot canvas").first.bounding_box()["width"]
    assert printed_pages(page)[0] == 1
    zoom = page.evaluate("document.documentElement.style.getPropertyValue('--paper-zoom')")
    assert 0.47 <= float(zoom) < 0.62
    settled(page)  # and the screen is as it was
    assert page.locator("#plot canvas").first.bounding_box()["width"] == width
    assert page.locator("#tools").is_visible()


def test_the_policy_stops_every_request(report, browser):
    watched = Watched(browser, 1280)
    page = watched.open(report.index)
    broken = page.evaluate(
        """() => new Promise((done) => {
            document.addEventListener("securitypolicyviolation", (e) => done(e.effectiveDirective));
            fetch("http://127.0.0.1:9/").catch(() => setTimeout(() => done("none"), 500));
        })"""
    )
    assert broken == "connect-src"
    assert not [url for url in watched.requests if url.startswith("http")]
    watched.context.close()


def serious(page):
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("axe.run(document, {resultTypes: ['violations'], preload: false})")
    return [
        f"{item['id']}: {item['nodes'][0]['html'][:160]}"
        for item in found["violations"]
        if item["impact"] in ("serious", "critical", "moderate")
    ]


@pytest.mark.parametrize("name", ["", "R-0142-06", "R-0142-11"])
def test_accessibility(report, watched, name):
    page = watched.open(report.sheets[name] if name else report.index)
    if page.locator("details.lines").count():
        page.locator("details.lines summary").click()
    settled(page)
    assert serious(page) == []


def test_everything_can_be_reached_by_keyboard(report, desktop):
    page = desktop.open(report.sheets["R-0142-06"])
    reached = set()
    for _ in range(30):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.id || document.activeElement.tagName"))
        outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        assert outline != "none" or page.evaluate("document.activeElement === document.body")
    assert {"A", "log", "goto", "SUMMARY"} <= reached


def test_without_javascript_the_pages_still_read(report, browser):
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(report.index.as_uri())
    assert page.locator("#film-table tbody tr").count() == 12
    assert not page.locator("#filters").is_visible()
    page.goto(report.sheets["R-0142-06"].as_uri())
    assert page.locator("noscript").inner_text().startswith("The drawings need JavaScript")
    assert page.locator("noscript a").get_attribute("href") == "../report.pdf"
    assert not page.locator(".key-line").is_visible()  # it explains what is not drawn
    told = page.locator("table.limits tbody tr").first.inner_text()
    assert re.search(r"conversion\s+≥ 95 %.*71\.0 % \(\S+ to \S+\).*broken", told, re.DOTALL)
    context.close()


def test_a_browser_that_cannot_inflate_still_draws_the_scan(report, browser):
    context = browser.new_context()
    context.add_init_script("delete window.DecompressionStream")
    page = context.new_page()
    faults = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.goto(report.sheets["R-0142-06"].as_uri())
    page.wait_for_selector("html[data-drawn]")
    assert page.locator("#plot canvas").count() == 3
    assert "too old" in page.locator("p[role=note]").inner_text()
    assert "undefined" not in page.locator("main").inner_text()
    assert faults == []
    context.close()


def test_names_from_files_run_nothing(tmp_path, browser):
    result, pictures = synthetic.run(12, points=300)
    films, drawn = [], {}
    for film, name in zip(result.films, NASTY, strict=False):
        films.append(film.model_copy(update={"film": name, "warnings": [name]}))
        if film.film in pictures:
            drawn[name] = pictures[film.film]
    notes = result.run.model_copy(update={"id": NASTY[0], "operator_note": NASTY[1]})
    report = write_report(
        result.model_copy(update={"films": films, "run": notes}), drawn, tmp_path, pdf=False
    )
    for width in (1280, 390):
        watched = Watched(browser, width)
        page = watched.open(report.index)
        assert page.locator("#film-table tbody tr").count() == len(NASTY)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        for path in report.sheets.values() if width == 390 else ():
            page = watched.open(path)
            settled(page)
            assert page.locator("img").count() == 0
            assert page.evaluate("document.documentElement.scrollWidth") <= width, path.name
        watched.assert_quiet()
        watched.context.close()
