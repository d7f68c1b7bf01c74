# Every target sets up what it needs: Python 3.11 or newer, make and git are enough.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready

.DEFAULT_GOAL := help
.PHONY: help demo test fuzz check bench lock

help:  ## list the targets
	@grep -E '^[a-z]+:.*##' Makefile | sed -E 's/:.*## /\t/' | sort

$(READY): requirements.lock pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "Python 3.11 or newer is needed: make PYTHON=/path/to/python3.11"; exit 2; }
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	@touch $(READY)

demo: $(READY)  ## publish the reports of an invented network and of an open data set
	$(BIN)/arcgain demo arcgain-demo

test: $(READY)  ## run all tests
	$(BIN)/python -m pytest -q -n 2 --dist worksteal

fuzz: $(READY)  ## long fuzzing of readers and intake
	ARCGAIN_FUZZ=long $(BIN)/python -m pytest -q -n 2 tests/properties

check: $(READY)  ## format, lint, layers, types and docstrings
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/lint-imports --no-cache
	$(BIN)/mypy
	$(BIN)/python -m numpydoc.hooks.validate_docstrings $$(git ls-files 'schemas/*.py' 'pipeline/*.py' 'reports/*.py' 'flows/*.py' 'synthetic_data/*.py')

bench: $(READY)  ## measure speed and memory against a floor, in one run
	$(BIN)/python -m tests.bench

lock: $(READY)  ## resolve the lock anew (needs uv)
	uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-emit-index-url \
	  --no-annotate --group dev pyproject.toml -o requirements.lock
