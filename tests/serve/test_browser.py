"""The page in a real browser: the whole job by mouse, and again by keyboard alone."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from tests.serve.conftest import serving
from tests.serve.test_jobs import slow

playwright = pytest.importorskip(
    "playwright.sync_api", reason="playwright is not installed; the page is not tested"
)
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed; page not tested"),
]
WAIT_MS = 240_000  # a cap for a busy machine; nothing waits so long
A_AXIS = ("1 0 0", "2 0 0", "3 0 0")


@pytest.fixture(scope="module")
def browser():
    with playwright.sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield chromium
        chromium.close()


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    folder = tmp_path_factory.mktemp("desk")
    with serving(folder / "store", folder / "h.sqlite3") as (address, _):
        yield address


@pytest.fixture
def files(scans, tmp_path, request):
    """Scans of this test alone: the history tells runs by what their scans hold."""
    for name, text in scans.items():
        (tmp_path / f"{name}.xy").write_text(f"# for {request.node.name}\n{text}")
    return [str(tmp_path / f"{name}.xy") for name in scans]


@pytest.fixture(params=[1280, 820], ids=["desktop", "tablet"])
def page(browser, base, request):
    context = browser.new_context(
        viewport={"width": request.param, "height": 900}, has_touch=request.param < 1000
    )
    found = context.new_page()
    found.set_default_timeout(WAIT_MS)
    complaints, requests = [], []
    found.on("console", lambda message: complaints.append(message.text))
    refused = "Failed to load resource: the server responded with a status of 400 (Bad Request)"
    found.on("pageerror", lambda error: complaints.append(str(error)))
    found.on("request", lambda sent: requests.append(sent.url))
    yield found
    # the browser itself remarks a form that was refused
    assert [text for text in complaints if text != refused] == []
    assert all(url.startswith((base, "data:", "blob:")) for url in requests)
    context.close()


AXE = Path(__file__).parents[1] / "report/vendor/axe.min.js"


def assert_sound(page):
    """Nothing sticks out sideways, whatever the width, and everybody can use the page."""
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("axe.run(document, {resultTypes: ['violations'], preload: false})")
    assert [f"{v['id']}: {v['nodes'][0]['html'][:160]}" for v in found["violations"]] == []


def state(page, fill):
    """The invented stack and two limits, by whatever means ``fill`` types."""
    for name, text in {
        "stack.thickness_nm": "400",
        "stack.substrate": "SrTiO3",
        "optics.divergence_deg": "0,5",
        "assumptions.c_axis_mosaic_deg": "1.0",
        "assumptions.mosaic_factor": "1.05",
        "limit.0.quantity": "a_axis_fraction",
        "limit.0.max": "0.1",
    }.items():
        fill(f'[name="{name}"]', text)


def verdicts(page):
    rows = page.locator("#film-table tbody tr")
    return {
        rows.nth(i).locator("th").inner_text(): rows.nth(i).get_attribute("data-verdict")
        for i in range(rows.count())
    }


def test_drop_state_judge_exclude_store_and_find_in_the_trend(page, base, files):
    name = f"B-{page.viewport_size['width']}"
    page.goto(f"{base}/new")
    assert_sound(page)
    page.set_input_files("#files", files)
    assert "3 files" in page.locator("#chosen").inner_text()
    page.fill("[name=name]", name)
    page.click("#send")
    page.wait_for_url("**/state")
    state(page, page.fill)
    assert_sound(page)
    page.click("button[value=judge]")
    page.wait_for_url(re.compile(r"/run/[0-9a-f]{12}/$"))
    assert verdicts(page) == {"g1": "pass", "a2": "fail", "g3": "pass"}
    assert_sound(page)
    run = page.url

    page.click("text=a2")
    page.wait_for_selector("#plot canvas")
    assert_sound(page)
    page.click(".adjust-lines summary")
    for hkl in A_AXIS:
        page.check(f'[aria-label="leave out YBCO {hkl}"]')
    page.click('[data-view="in"]')
    page.click("#in-view")
    assert re.fullmatch(r"[\d.]+ to [\d.]+", page.input_value("#ranges"))
    page.fill("#ranges", "80 to 81")
    page.click("text=Judge again")
    page.wait_for_url("**/films/a2.html")
    page.wait_for_selector(".changed")
    assert "fail" in page.locator(".changed").inner_text()
    assert "fail" not in page.locator(".verdict").inner_text().lower()
    assert page.is_checked('[aria-label="leave out YBCO 2 0 0"]')

    page.fill("[name=by]", "N. N.")
    page.fill("[name=why]", "a-axis lines spoiled by the clip")
    page.click("text=Store in the history")
    page.wait_for_url(run)
    assert "Stored as revision 1" in page.locator(".told").inner_text()

    page.goto(f"{base}/trend?quantity=c_A")
    href = page.evaluate(
        "name => Array.from(document.querySelectorAll('.control-chart a'))"
        ".find(a => a.querySelector('title').textContent.startsWith(name))?.getAttribute('href')",
        name,
    )
    assert href == f"/history/{name}"
    page.goto(base + href)
    text = page.locator("main").inner_text()
    assert "a-axis lines spoiled by the clip" in text
    assert "N. N." in text
    assert_sound(page)

    page.goto(run)
    page.click("text=Compare the films")
    page.wait_for_selector("#compare[data-drawn]")
    page.check("[value=stack]")
    page.click("button.main")
    page.wait_for_selector('#compare[data-drawn="3"]')
    page.click('[data-view="in"]')
    page.click('[data-view="right"]')
    page.check("#linear")
    page.wait_for_selector('#compare[data-drawn="3"]')
    assert_sound(page)


def tab_to(page, selector, most=400):
    """Go on with the Tab key until the wanted element has the focus."""
    for _ in range(most):
        if page.evaluate("s => document.activeElement?.matches(s)", selector):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"the Tab key does not reach {selector}")


def test_the_same_by_keyboard_alone(page, base, files):
    def type_into(selector, text):
        tab_to(page, selector)
        page.keyboard.press("Control+a")
        page.keyboard.type(text)

    page.goto(f"{base}/new")
    with page.expect_file_chooser() as chooser:
        tab_to(page, "#files")
        page.keyboard.press("Space")
    chooser.value.set_files(files[:2])
    type_into("[name=name]", f"keys {page.viewport_size['width']}")
    page.keyboard.press("Enter")
    page.wait_for_url("**/state")
    state(page, type_into)
    tab_to(page, "button[value=judge]")
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(r"/run/[0-9a-f]{12}/$"))
    tab_to(page, 'a[href="films/a2.html"]')
    page.keyboard.press("Enter")
    page.wait_for_selector("#plot canvas")
    tab_to(page, ".adjust-lines summary")
    page.keyboard.press("Enter")
    for hkl in A_AXIS:
        tab_to(page, f'[aria-label="leave out YBCO {hkl}"]')
        page.keyboard.press("Space")
    tab_to(page, "button[value=try]")
    page.keyboard.press("Enter")
    page.wait_for_selector(".changed")
    assert "fail" in page.locator(".changed").inner_text()
    type_into("[name=by]", "N. N.")
    type_into("[name=why]", "by keyboard")
    page.keyboard.press("Enter")
    page.wait_for_selector(".told")
    assert "by keyboard" in page.locator(".told").inner_text()


@pytest.mark.parametrize("page", [820], indirect=True, ids=["tablet"])
def test_moving_lines_and_the_background_is_stored_with_who_and_why(page, base, files):
    """a-axis lines looked for where nothing stands: the film no longer fails for them."""
    page.goto(f"{base}/new")
    page.set_input_files("#files", files[1])
    page.fill("[name=name]", "moved")
    page.click("#send")
    page.wait_for_url("**/state")
    page.fill('[name="stack.substrate"]', "SrTi03")
    page.click("button[value=judge]")
    page.wait_for_selector("#faults")
    assert page.get_attribute('[name="stack.substrate"]', "aria-invalid") == "true"
    assert_sound(page)
    state(page, page.fill)
    page.click("button[value=judge]")
    page.wait_for_url(re.compile(r"/run/[0-9a-f]{12}/$"))
    assert verdicts(page) == {"a2": "fail"}
    page.click("text=a2")
    page.wait_for_selector("#plot canvas")
    page.click(".adjust-lines summary")
    for hkl, place in zip(A_AXIS, ("24.1", "48.5", "75.3"), strict=True):
        page.fill(f'[aria-label="look for YBCO {hkl} at 2θ"]', place)
    page.fill("[name=widest_line_deg]", "2,5")
    page.select_option("[name=background_degree]", "1")
    page.click("text=Judge again")
    page.wait_for_selector(".changed")
    assert "fail" in page.locator(".changed").inner_text()
    assert "fail" not in page.locator(".verdict").inner_text().lower()
    assert page.input_value('[aria-label="look for YBCO 2 0 0 at 2θ"]') == "48.5"
    assert page.input_value("[name=widest_line_deg]") == "2.5"
    assert_sound(page)
    page.fill("[name=by]", "N. N.")
    page.fill("[name=why]", "looked for elsewhere")
    page.click("text=Store in the history")
    page.wait_for_selector(".told")
    page.goto(f"{base}/history/moved")
    text = page.locator("main").inner_text()
    assert "N. N." in text
    assert "looked for elsewhere" in text
    assert_sound(page)


@pytest.mark.parametrize("page", [1280], indirect=True, ids=["desktop"])
def test_long_work_shows_progress_and_can_be_stopped(page, base, files, monkeypatch):
    page.goto(f"{base}/new")
    page.set_input_files("#files", files)
    page.fill("[name=name]", "endless")
    page.click("#send")
    page.wait_for_url("**/state")
    monkeypatch.setattr("xrdfilm.serve.work.judge_desk_run", slow)
    page.click("button[value=judge]")
    page.wait_for_url("**/job/*")
    page.wait_for_selector('#bar[value="1"]')
    assert page.locator("#stage").inner_text() == "judging films: 1 of 3"
    page.click('button:text-is("Stop")')
    page.wait_for_selector("text=What was judged before is as it was")
    page.goto(f"{base}/")
    assert page.locator("text=to be stated").count() >= 1
