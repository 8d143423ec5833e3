# Two commands do everything: `make serve` and `make test`. Everything else is a step of those, or rarer.
SHELL := /bin/bash
.SHELLFLAGS := -euo pipefail -c
.DELETE_ON_ERROR:
.NOTPARALLEL:
.DEFAULT_GOAL := help
export MAKECMDGOALS
# The fit's matrices are small: on one thread it takes a quarter of the processor time that it takes on two, which
# wait for each other (measured on the demo market, two cores: 37 s against 140 s).
export OMP_NUM_THREADS ?= 1
export OPENBLAS_NUM_THREADS ?= 1

PYTHON ?= python3
CASES ?= 2000
HOSTILE ?= 100000
ROWS ?= 1000000
MINUTES ?= 1
ITEMS ?= 20000
VENV := .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip install --quiet --no-input --disable-pip-version-check
INSTALL := $(PIP) --require-hashes
# The project itself, with its command `bookmatch`: no library but those of the lock, setuptools included.
OWN := $(PIP) --no-deps --no-build-isolation --editable .

# What `make serve` makes stands under var/ and can be deleted at any time.
DEMO := var/demo
STORE := var/store
STUDY := var/study

.PHONY: help serve test check unit fmt env lock fresh kernels fuzz hostile faults owners slow frozen revalue cluster yardstick study dozen offers portfolios bench examples clean needs-serve needs-test

help:
	@echo 'make serve      the demo service, from nothing to an address and a request to try'
	@echo 'make test       all checks and tests'
	@echo 'make check      format, lint, types, rooms and Dockerfile only'
	@echo 'make fmt        format, and mend what the linter can'
	@echo 'make examples   run all that README.md and docs/ show, and write its outputs into them'
	@echo 'make fresh      both commands in a fresh clone with an empty home, timed'
	@echo 'make kernels    the numerical tests under each kernel of OpenBLAS that this processor has'
	@echo 'make faults     fault injection: load, killed workers, changing models, a restarted database, backups; MINUTES=1'
	@echo 'make owners     two hundred owners at once with photographs of 8 MB: what is lost, and who else waits'
	@echo 'make slow       a minute beside hundreds of slow clients: who else is answered, and how soon'
	@echo 'make frozen     a minute with a PostgreSQL that is stopped, and says nothing'
	@echo 'make cluster    a list of 1,000,000 rows and a backtest on a Dask cluster of two workers: bytes, time, memory; ROWS=1000000'
	@echo 'make fuzz       ask the service all that its OpenAPI document allows and forbids; CASES=2000 of each'
	@echo 'make hostile    100,000 hostile requests of one worker, whose memory must stay bounded; HOSTILE=100000'
	@echo 'make yardstick  the fit beside its peers (installs more)'
	@echo 'make study      what the trees add to the backbone, on markets of fresh seeds; goes on where it was ended'
	@echo 'make dozen      fits of 12 to 3,000 sales with common practice and without, on markets of fresh seeds; goes on too'
	@echo 'make revalue    a stock is valued again beside callers, and while processes are killed; ITEMS=20000'
	@echo 'make offers     how often a purchase at the most to pay loses money, on markets of fresh seeds; goes on too'
	@echo 'make portfolios how often the range of a portfolio holds its true total, on markets of fresh seeds; goes on too'
	@echo 'make bench      how fast it is, beside a bare Flask application and LightGBM'
	@echo 'make lock       write the locks again; UPGRADE=--upgrade for newer versions'
	@echo 'make clean      delete what serve and test made, but not the environment'

# ── the environment ──────────────────────────────────────────────────────────

needs-serve:
	@$(PYTHON) tools/needs.py venv openmp pdf fonts

needs-test:
	@$(PYTHON) tools/needs.py venv openmp pdf fonts driver browser proxy counts

$(BIN)/python: | needs-serve
	$(PYTHON) -m venv --clear $(VENV)

$(VENV)/.serve: requirements.lock pyproject.toml | $(BIN)/python
	@echo 'Installing the locked environment'
	@$(INSTALL) -r requirements.lock
	@$(OWN)
	@touch $@

# The locks agree on every version that they share, so this one holds the other.
$(VENV)/.dev: requirements-dev.lock requirements.lock pyproject.toml | $(BIN)/python
	@echo 'Installing the locked environment and what the tests need'
	@$(INSTALL) -r requirements-dev.lock
	@$(OWN)
	@touch $(VENV)/.serve $@

env: $(VENV)/.dev

# ── serve ────────────────────────────────────────────────────────────────────

$(DEMO)/.made: $(shell find training/demo -name '*.py') | $(VENV)/.serve
	@$(BIN)/python -m training demo $(DEMO)
	@touch $@

$(STORE)/.fitted: $(DEMO)/.made $(shell find models training -name '*.py' -not -path 'training/yardstick/*') models/practice/practice.toml
	@echo 'Fitting the price model on the demo market'
	@$(BIN)/python -m training fit $(DEMO)/evidence.csv --catalogue $(DEMO)/catalogue.toml \
	    --store $(STORE) --promote
	@touch $@

serve: $(VENV)/.serve $(STORE)/.fitted
	@exec $(BIN)/python tools/serve_demo.py

# ── test ─────────────────────────────────────────────────────────────────────

check: env
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports --no-logo
	$(BIN)/hadolint Dockerfile

unit: env
	$(BIN)/python -m pytest -n 3 --dist worksteal

test: needs-test check unit

fmt: env
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

fresh:
	@$(PYTHON) tools/fresh.py

kernels: env
	$(BIN)/python tools/kernels.py

examples: env
	EXAMPLES=write $(BIN)/python -m pytest -q tests/live/test_examples.py tests/live/test_document_examples.py \
	    tests/live/test_document_walks.py tests/live/test_first_dozen.py

fuzz: env
	FUZZ_CASES=$(CASES) $(BIN)/python -m pytest -s tests/live/test_fuzz.py

hostile: env
	HOSTILE_CASES=$(HOSTILE) $(BIN)/python -m pytest -s tests/live/test_hostile_memory.py

# ── rarer ────────────────────────────────────────────────────────────────────

TOOLS := .cache/uv
COMPILE := $(TOOLS)/bin/uv pip compile --quiet --universal --python-version 3.11 --generate-hashes \
    --no-emit-index-url --no-annotate --no-header $(UPGRADE)

$(TOOLS)/bin/uv: | needs-serve
	$(PYTHON) -m venv --clear $(TOOLS)
	$(TOOLS)/bin/python -m pip install --quiet --disable-pip-version-check 'uv>=0.9,<1'

# The widest first: the others are cut from it, so that all three agree on every version.
lock: $(TOOLS)/bin/uv
	$(COMPILE) pyproject.toml --group yardstick -o requirements-yardstick.lock
	$(COMPILE) pyproject.toml --group dev -c requirements-yardstick.lock -o requirements-dev.lock
	$(COMPILE) pyproject.toml --group build -c requirements-yardstick.lock -o requirements.lock

faults: env
	PYTHONPATH=.:tests $(BIN)/python tests/live/fault_injection.py $(MINUTES)

owners: env $(STORE)/.fitted
	PYTHONPATH=.:tests $(BIN)/python tests/live/many_owners.py $(STORE)

slow: env $(STORE)/.fitted
	PYTHONPATH=.:tests $(BIN)/python tests/live/slow_clients.py $(STORE)

revalue: env $(STORE)/.fitted
	PYTHONPATH=.:tests $(BIN)/python tests/live/revaluing_ground.py $(STORE) $(ITEMS) 10

cluster: env $(STORE)/.fitted
	PYTHONPATH=.:tests $(BIN)/python tests/live/on_cluster.py $(DEMO) $(STORE) $(ROWS)

frozen: env
	PYTHONPATH=.:tests $(BIN)/python tests/live/frozen_database.py

yardstick: requirements-yardstick.lock | $(BIN)/python
	@$(INSTALL) -r requirements-yardstick.lock
	@$(OWN)
	$(BIN)/python -m training.yardstick

study: env
	@mkdir -p $(STUDY)
	$(BIN)/python -m training.yardstick.fresh --json $(STUDY)/fresh.json

dozen: env
	@mkdir -p $(STUDY)
	$(BIN)/python -m training.yardstick.dozen --json $(STUDY)/dozen.json

offers: env
	@mkdir -p $(STUDY)
	$(BIN)/python -m training.yardstick.offers --json $(STUDY)/offers.json

portfolios: env
	@mkdir -p $(STUDY)
	$(BIN)/python -m training.yardstick.portfolios --json $(STUDY)/portfolios.json

bench: env $(STORE)/.fitted
	PYTHONPATH=.:tests $(BIN)/python tests/bench --store $(STORE) --demo $(DEMO)

clean:
	rm -rf var .cache/tests .cache/faults .mypy_cache .pytest_cache .ruff_cache .import_linter_cache
