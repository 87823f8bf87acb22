"""Documentation: its code runs, its figures and reference pages are current, its names exist, every
link leads somewhere, and the site builds without a warning."""

import importlib.util
import inspect
import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PAGES = sorted((ROOT / "docs").rglob("*.md"))
TOP = [ROOT / name for name in ("README.md", "DEVELOPERS.md")]


def _load(name):
    spec = importlib.util.spec_from_file_location(f"docs_{name}", ROOT / f"docs/{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


blocks = _load("blocks")
reference = _load("make_reference")
# pages without a block that runs are checked for their toml and for stray commands alone
RUNNING = [
    page
    for page in blocks.pages()
    if any(b.kind != "text" for b in blocks.blocks_of(page.read_text(encoding="utf-8")))
]


def _name(page):
    return page.relative_to(ROOT).as_posix()


# --------------------------------------------------------------------------------- code blocks


@pytest.fixture(scope="session")
def demo(tmp_path_factory):
    from xrdfilm.demo import write_demo

    return write_demo(tmp_path_factory.mktemp("docs") / "demo").parent


@pytest.mark.parametrize("page", RUNNING, ids=_name)
def test_code_blocks_do_what_the_page_says(page, demo):
    problems, _ = blocks.run_page(page, demo)
    assert not problems, "\n\n".join(problems)


@pytest.mark.parametrize("page", blocks.pages(), ids=_name)
def test_commands_stand_in_blocks_that_run(page):
    text = re.sub(r"^```.*?^```$", "", page.read_text(encoding="utf-8"), flags=re.M | re.S)
    assert not re.findall(r"^ {4,}(?:\$ )?(?:xrdfilm|python) .*$", text, flags=re.M)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("```console\n$ xrdfilm judge nowhere\n```\n", "no such file"),
        ("```console\n$ xrdfilm plan speed --rate 1 --rate-low 1 --thickness-nm 1000 "
         "--hot-zone-m 10\n1000 nm need 30 min ...\n```\n", "need 16"),
        ("```console\n$ rm -r demo\n```\n", "cannot run 'rm'"),
        ("```python\nraise ValueError('so')\n```\n", "ValueError: so"),
        ("```toml\n[stack]\nfilmm = 'YBCO'\n```\n", "filmm"),
        ("```toml\n[[limit]]\nquantity = 'a_axis_fractoin'\nmax = 0.1\n```\n", "a_axis_fraction"),
        ("```sh\nxrdfilm look film.xy\n```\n", "use console"),
        ("```bash\nls\n```\n", "block of kind 'bash'"),
    ],
)  # fmt: skip
def test_what_does_not_run_is_told(text, told, tmp_path):
    path = tmp_path / "page.md"
    path.write_text(text, encoding="utf-8")
    page = blocks.Page(path, tmp_path)
    page.run()
    assert len(page.problems) == 1
    assert told in page.problems[0]


@pytest.mark.parametrize(
    ("page", "now", "alike"),
    [
        ("12 films: 6 pass", "12 films: 6 pass", True),
        ("12 films: 6 pass", "12 films: 5 pass", False),
        ("a-axis share 32.4 %", "a-axis share 32.6 %", True),
        ("a-axis share 32.4 %", "a-axis share 38.6 %", False),
        ("a-axis share 32.4 %", "b-axis share 32.4 %", False),
        ("first\n...\nlast", "first\nmuch\nin between\nlast", True),
        ("first\n...\nlast", "first\nmuch\n", False),
    ],
)
def test_printed_text_is_compared_by_words_and_figures(page, now, alike):
    assert blocks.same(page, now) is alike


# ------------------------------------------------------------------------------- made from code


def test_reference_pages_are_current():
    done = subprocess.run(
        [sys.executable, ROOT / "docs/make_reference.py", "--check"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout


def test_public_names_are_typed_and_told():
    for dotted in (name for names in reference.PUBLIC.values() for name in names):
        found = reference.resolve(dotted)
        assert len((found.__doc__ or "").strip()) > 15, dotted
        if not isinstance(found, type):
            signature = inspect.signature(found)
            assert signature.return_annotation is not signature.empty, dotted
            for item in signature.parameters.values():
                assert item.annotation is not item.empty, (dotted, item.name)


def test_figures_say_what_the_code_does(tmp_path, monkeypatch):
    monkeypatch.syspath_prepend(str(ROOT / "examples"))
    monkeypatch.delitem(sys.modules, "scenario", raising=False)
    figures = _load("make_figures")
    for name in figures.LIGHT:
        far = figures.difference(figures.draw(name, tmp_path), ROOT / f"docs/figures/{name}.png")
        told = f"docs/figures/{name}.png is stale; run python docs/make_figures.py {name}"
        assert far < figures.STALE, told
    drawn = {f"{name}.png" for name in figures.LIGHT}
    drawn |= {f"{name}.png" for name in figures.SHOTS}
    drawn |= {f"example-{name}.png" for name in figures.EXAMPLES}
    assert {p.name for p in (ROOT / "docs/figures").iterdir()} == drawn
    shown = "".join(page.read_text(encoding="utf-8") for page in [*PAGES, *TOP])
    assert not [name for name in sorted(drawn) if f"figures/{name}" not in shown]


# ---------------------------------------------------------------------------------- what it names


@pytest.mark.parametrize("page", [*PAGES, *TOP], ids=_name)
def test_names_of_modules_and_files_exist(page):
    text = page.read_text(encoding="utf-8")
    for dotted in set(re.findall(r"`(xrdfilm(?:\.\w+)+)`", text)):
        reference.resolve(dotted)
    for path in set(re.findall(r"`((?:tests|benchmarks|examples|docs)/[\w./-]+\.\w+)`", text)):
        made = path.startswith("benchmarks/out/")  # by make bench
        assert made or (ROOT / path).exists(), path


def test_commands_that_are_named_exist():
    from xrdfilm.cli import COMMANDS

    for page in [*PAGES, *TOP]:
        for name in re.findall(r"`xrdfilm ([a-z]+)", page.read_text(encoding="utf-8")):
            assert name in COMMANDS, (page, name)


@pytest.mark.parametrize("page", [*PAGES, *TOP], ids=_name)
def test_links_and_pictures_lead_somewhere(page):
    text = page.read_text(encoding="utf-8")
    targets = re.findall(r"\]\(([^)#\s]+?)(?:#[^)]*)?\)", text)
    for target in targets:
        if "://" not in target:
            assert (page.parent / target).exists(), target


def test_every_page_is_listed():
    index = (ROOT / "docs/index.md").read_text(encoding="utf-8")
    for page in PAGES:
        name = page.relative_to(ROOT / "docs").with_suffix("").as_posix()
        assert name == "index" or f"\n{name}\n" in index, name


def test_every_name_of_the_interface_is_accounted_for():
    from typing import get_args

    from xrdfilm.cli import COMMANDS
    from xrdfilm.results import Reason, Verdict
    from xrdfilm.runfile import RunFile

    page = (ROOT / "docs/names.md").read_text(encoding="utf-8")
    words = set(re.findall(r"[a-z]+", page.lower()))
    names = [*COMMANDS, *RunFile.model_fields, *get_args(Verdict)]
    names += get_args(Reason.model_fields["outcome"].annotation)
    assert [name for name in names if name not in words] == []


def test_methods_pages_tell_source_and_place_of_every_formula():
    for page in sorted((ROOT / "docs/methods").glob("*.md")):
        found = 0
        for table in re.findall(r"(?:^\|.*\n)+", page.read_text(encoding="utf-8"), re.M):
            if table.count("\n") < 3:
                continue
            head, _, *rows = (re.split(r"(?<!\\)\|", line)[1:-1] for line in table.splitlines())
            if "source" not in " ".join(head) or "where" not in " ".join(head):
                continue
            at = {title.strip(): i for i, title in enumerate(head)}
            for row in rows:
                if row[0].strip() in ("K", "v_o"):  # drops out; what is sought
                    continue
                assert row[at["source"]].strip(), (page.name, row)
                assert "`xrdfilm." in row[at["where"]], (page.name, row)
                found += 1
        assert found >= 4, page.name


# ------------------------------------------------------------------------------------ the site


class _Links(HTMLParser):
    """Ids, links, and what a page loads."""

    def __init__(self, path):
        super().__init__()
        self.ids, self.links, self.loads = set(), [], []
        self.feed(path.read_text(encoding="utf-8"))

    def handle_starttag(self, tag, attrs):
        found = dict(attrs)
        self.ids.add(found.get("id"))
        if tag == "a" and found.get("href"):
            self.links.append(found["href"])
        for key in ("src", "href"):
            if tag in ("script", "img", "link") and found.get(key):
                self.loads.append(found[key])


def test_the_site_builds_without_a_warning_and_holds_together(tmp_path):
    pytest.importorskip("sphinx", reason="the extra docs is not installed")
    pytest.importorskip("myst_parser", reason="the extra docs is not installed")
    pytest.importorskip("furo", reason="the extra docs is not installed")
    site = tmp_path / "site"
    done = subprocess.run(
        [sys.executable, "-m", "sphinx", "-W", "--keep-going", "-q", "-b", "html",
         "-d", tmp_path / "trees", ROOT / "docs", site],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    pages = {path: _Links(path) for path in site.rglob("*.html")}
    assert len(pages) > 25
    for path, page in pages.items():
        for target in page.loads:
            assert "://" not in target, f"{path.name} loads {target}: the site must work offline"
        for link in page.links:
            file, _, anchor = link.partition("#")
            if "://" in link or link.startswith("mailto:"):
                continue
            leads = (path.parent / file).resolve() if file else path
            assert leads.exists(), f"{path.name}: {link}"
            if anchor and leads in pages:
                assert anchor in pages[leads].ids, f"{path.name}: {link}"
