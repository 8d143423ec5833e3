# Two commands do everything: `make serve` and `make test`. Everything else is a step of those.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin

.PHONY: test check fmt env
.DELETE_ON_ERROR:

env: $(VENV)/.dev

$(VENV)/bin/python:
	$(PYTHON) -m venv $(VENV)

$(VENV)/.dev: requirements-dev.lock | $(VENV)/bin/python
	$(BIN)/pip install --quiet --disable-pip-version-check --require-hashes -r requirements-dev.lock
	touch $@

check: env
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy

test: env
	$(BIN)/python -m pytest -q -n 2

fmt: env
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .
