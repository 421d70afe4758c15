# What a contributor types. `make` alone lists it.
#
# Everything lands in .venv, installed from pinned, hashed lists; stamp files there make a second run instant, and a
# changed list (or a changed pyproject.toml) installs anew. Two lists, so that a first look needs only the small one:
#   deploy/constraints-run.txt   what the daemon runs with, and the back end that installs it
#   deploy/constraints-dev.txt   that, and everything the tests use
SHELL := /bin/bash
.SHELLFLAGS := -euo pipefail -c
.DELETE_ON_ERROR:
MAKEFLAGS += --no-builtin-rules
.DEFAULT_GOAL := help

VENV := .venv
BIN := $(VENV)/bin
# A python on PATH may be a stand-in that only says "not installed", or lack venv: the first that really runs is taken.
PYTHON ?= $(shell for p in python3.13 python3.12 python3.11 python3; do \
	"$$p" -c 'import ensurepip, sqlite3, sys, venv; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1 \
	&& { echo "$$p"; break; }; done)
ARGS ?=
PIP := $(BIN)/python -m pip --disable-pip-version-check --quiet
APT_LIST := deploy/apt-packages.txt

.PHONY: help demo test attack lint format bench mutants soak packages constraints clean apt

help:  ## this list
	@awk -F ':.*## ' '/^[a-z]+:.*## / {printf "make %-12s %s\n", $$1, $$2}' Makefile

demo: $(VENV)/.app  ## a simulated station to look at; options in ARGS="..."
	@$(BIN)/gaugepost demo $(ARGS)

test: lint  ## all that a contributor runs: linters, types, imports, tests
	$(BIN)/pytest -m "not attack" -n 3 --dist loadfile

attack: apt $(VENV)/.dev  ## the slow and violent tests: kills, faults, fuzzing
	$(BIN)/pytest -m attack -n 2 --dist loadfile

lint: apt $(VENV)/.dev  ## ruff, mypy and import-linter
	$(BIN)/ruff check
	$(BIN)/ruff format --check
	$(BIN)/mypy
	$(BIN)/lint-imports

format: $(VENV)/.dev  ## put every file in the one format
	$(BIN)/ruff check --fix-only --quiet
	$(BIN)/ruff format

bench: $(VENV)/.dev  ## benchmarks; they print ratios and never fail by a clock
	$(BIN)/python -m tests.benchmarks $(ARGS)

soak: apt $(VENV)/.dev  ## two hours of work with a fault every few seconds; ARGS="--seconds 600 --kills"
	$(BIN)/python -m tests.soak $(ARGS)

packages: $(VENV)/.app  ## a wheel, an offline bundle and a Debian package into dist/; ARGS="--revision 2"
	$(BIN)/python deploy/packages/build.py $(ARGS)

mutants: $(VENV)/.dev  ## what in the core could be wrong without a test noticing; rooms in ARGS="..."
	$(BIN)/python -m tests.mutation $(ARGS)

# Hashes of every file of a release are listed, so one list serves each Python and processor we support; it is made
# with the oldest Python, which needs the most back-ports. Neither addresses nor paths of this machine are written.
COMPILE := CUSTOM_COMPILE_COMMAND="make constraints" $(BIN)/pip-compile --quiet --generate-hashes --strip-extras \
	--allow-unsafe --no-emit-index-url --no-emit-find-links --no-emit-trusted-host --no-emit-options --newline lf
constraints: $(VENV)/.dev  ## newest releases into deploy/constraints-*.txt; needs Python 3.11
	@$(BIN)/python -c 'import sys; sys.exit(0 if sys.version_info[:2] == (3, 11) else "make clean, then PYTHON=python3.11")'
	$(COMPILE) --upgrade --build-deps-for editable --extra postgres --output-file deploy/constraints-run.txt pyproject.toml
	$(COMPILE) --upgrade --build-deps-for editable --extra dev --constraint deploy/constraints-run.txt \
		--output-file deploy/constraints-dev.txt pyproject.toml

clean:  ## remove what make and the tools made
	rm -rf $(VENV) .pytest_cache .mypy_cache .ruff_cache .import_linter_cache .hypothesis dist build
	find daemon adapters tests -name __pycache__ -type d -prune -exec rm -rf {} +

# --- set-up ---------------------------------------------------------------------------------------------------

$(VENV)/.python:
	@test -n "$(PYTHON)" || { echo "no runnable Python 3.11 or newer with venv on PATH; name one: make PYTHON=..." >&2; exit 1; }
	$(PYTHON) -m venv --clear $(VENV)
	@touch $@

$(VENV)/.run: deploy/constraints-run.txt | $(VENV)/.python
	$(PIP) install --require-hashes -r deploy/constraints-run.txt
	@touch $@

# Names, entry points and the two source folders come from pyproject.toml; the code itself is read in place.
$(VENV)/.app: pyproject.toml $(VENV)/.run
	$(PIP) install --no-deps --no-build-isolation --editable .
	@touch $@

$(VENV)/.dev: deploy/constraints-dev.txt $(VENV)/.app
	$(PIP) install --require-hashes -r deploy/constraints-dev.txt
	@touch $@

# A missing system package ends the run: nothing is skipped for want of a tool.
apt:
	@missing=$$(for p in $$(sed 's/#.*//' $(APT_LIST)); do \
		dpkg-query -W -f='$${db:Status-Status}' "$$p" 2>/dev/null | grep -qx installed || echo "$$p"; done | xargs); \
	test -z "$$missing" && exit 0; \
	if [ "$$(id -u)" = 0 ]; then \
		apt-get update -q && DEBIAN_FRONTEND=noninteractive apt-get install -qy --no-install-recommends $$missing; \
	else \
		echo "system packages are missing; run: sudo apt-get install --no-install-recommends $$missing" >&2; exit 1; \
	fi
