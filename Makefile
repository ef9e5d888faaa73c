# Two commands do all the set-up on a fresh machine with Python 3.11 and make: `make demo` and `make test`.

PYTHON ?= python3
VENV   ?= .venv
BIN     = $(VENV)/bin
JOBS   ?= auto

.PHONY: demo test lint bench clean

demo: $(VENV)/.installed
	$(BIN)/underbow render tracks/gateposts.toml -o out/gateposts
	@echo "The play-along tracks and the MIDI files are in out/gateposts: open them in any player."

test: $(VENV)/.dev
	$(BIN)/pytest -n $(JOBS)

lint: $(VENV)/.dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

bench: $(VENV)/.dev
	$(BIN)/python benchmarks/run.py

clean:
	rm -rf $(VENV) out build dist .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache

$(VENV)/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Underbow needs Python 3.11 or later; call: make PYTHON=python3.11 ...")'
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --upgrade "pip>=25.1"

$(VENV)/.installed: pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --editable .
	@touch $@

$(VENV)/.dev: pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --editable . --group dev
	@touch $@ $(VENV)/.installed
