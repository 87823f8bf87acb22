"""Documentation: reference pages say what the code does, and every link leads somewhere."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PAGES = sorted((ROOT / "docs").rglob("*.md"))


def test_reference_pages_are_current():
    done = subprocess.run(
        [sys.executable, ROOT / "docs/make_reference.py", "--check"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize("page", [*PAGES, ROOT / "README.md"], ids=lambda p: p.name)
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
