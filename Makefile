# Everything runs from a private .venv; nothing outside this folder is touched.
PYTHON ?= $(shell for p in python3 python3.13 python3.12 python3.11 python; do \
  "$$p" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null && { echo $$p; break; }; done)
BIN := .venv/bin
PIP := $(BIN)/python -m pip install --quiet --disable-pip-version-check -c requirements.lock
SECONDS_LONG ?= 60
# Each worker, and each program that a test starts, compiles every module anew where bytecode is not kept.
export PYTHONDONTWRITEBYTECODE =

.PHONY: help demo test test-all test-again check wheel-check firmware-check bench fuzz soak week golden pictures lock clean

help:
	@echo "make demo    play an invented session on the simulated chanter and write its report"
	@echo "make test    run the tests;  make test-all: those too that build firmware or need a JACK server or Chromium"
	@echo "make check   lint, format, types and the direction of imports"
	@echo "make wheel-check     the wheel, installed into a bare environment and used there"
	@echo "make firmware-check  a chanter's life on an emulated board, held against the truth (QEMU; 2 minutes)"
	@echo "make bench   measure speed;  make fuzz, make soak: long runs (SECONDS_LONG=$(SECONDS_LONG))"
	@echo "make week    a beginner's seven evenings, in Chromium (18 minutes)"
	@echo "             The slow measures that are modules (python -m tests.evenings and others): see DEVELOPERS.md, Checks"
	@echo "make golden  renew the golden files;  make pictures: the README's, and a gallery;  make lock: requirements.lock;  make clean"

.venv/made:
	@test -n "$(PYTHON)" || { echo "fingerlead needs Python 3.11 or newer; install one, or name it: make PYTHON=/path/to/python3" >&2; exit 1; }
	@$(PYTHON) -m venv .venv || { echo "The venv module is missing: on Debian and Ubuntu, install python3-venv." >&2; exit 1; }
	@touch $@

.venv/program: .venv/made pyproject.toml requirements.lock
	@$(PIP) -e .
	@touch $@

.venv/test: .venv/made pyproject.toml requirements.lock
	@$(PIP) -e '.[test]'
	@touch $@

.venv/check: .venv/made pyproject.toml requirements.lock
	@$(PIP) -e '.[test,check]'
	@touch $@

demo: .venv/program
	@$(BIN)/fingerlead demo

test: .venv/test
	@$(BIN)/python -m pytest -n auto -m "not firmware and not jack and not chromium"

test-all: .venv/test
	@$(BIN)/python -m pytest -n auto

test-again: .venv/test
	@echo "What failed is run once more, alone: a busy machine may have disturbed it."
	@$(BIN)/python -m pytest --last-failed --last-failed-no-failures none

check: .venv/check
	@$(BIN)/ruff check .
	@$(BIN)/ruff format --check .
	@$(BIN)/mypy
	@$(BIN)/lint-imports

wheel-check: .venv/test
	@$(BIN)/python -m tests.wheel_check

firmware-check: .venv/test
	@$(BIN)/python -m tests.firmware.check_emulated

bench: .venv/test
	@$(BIN)/python -m tests.benchmarks

fuzz: .venv/test
	@$(BIN)/python -m tests.wire.fuzz_wire $(SECONDS_LONG)
	@$(BIN)/python -m tests.store.fuzz_files $(SECONDS_LONG)
	@$(MAKE) --no-print-directory -C hardware_notes/firmware fuzz SECONDS_LONG=$(SECONDS_LONG)

soak: .venv/test
	@$(BIN)/python -m tests.end_to_end.soak $(SECONDS_LONG)
	@$(BIN)/python -m tests.end_to_end.soak_flood $(SECONDS_LONG)
	@$(BIN)/python -m tests.workbench.many_makers
	@$(BIN)/python -m tests.firmware.health_hour

week: .venv/test
	@$(BIN)/python -m tests.first_week --page --speed 4

golden: .venv/test
	@$(BIN)/python -m pytest --renew-golden

pictures: .venv/test
	@$(BIN)/python -m tests.pictures
	@$(BIN)/python -m tests.gallery

lock: .venv/made
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check uv
	@$(BIN)/uv pip compile --quiet pyproject.toml --all-extras --universal --no-annotate --no-header -o requirements.lock

clean:
	rm -rf .venv build dist out *.egg-info
