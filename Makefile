# Two commands do everything on a fresh machine: `make demo` and `make test`.
PYTHON ?= python3
VENV   := .venv
BIN    := $(VENV)/bin
STAMP  := $(VENV)/.installed

.PHONY: demo test lint types unit docs bench clean

demo: $(STAMP)
	$(BIN)/xrdfilm demo demo

test: lint types unit

lint: $(STAMP)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(STAMP)
	$(BIN)/mypy

unit: $(STAMP)
	$(BIN)/pytest -n auto

# The documentation site, its reference pages made from the code, warnings as errors.
docs: $(STAMP)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e '.[docs]'
	$(BIN)/python docs/make_reference.py
	$(BIN)/sphinx-build -W -q -b html docs site
	@echo "Documentation: site/index.html"

# The ten-minute set of benchmarks, as a page with plots.
bench: $(STAMP)
	$(BIN)/python benchmarks/page.py

# The environment is made again only when what it is made from has changed.
$(STAMP): pyproject.toml constraints.txt
	@echo "Installing into $(VENV); that takes a few minutes the first time."
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e '.[test]'
	touch $@

clean:
	rm -rf $(VENV) demo judged build dist .mypy_cache .ruff_cache .pytest_cache
