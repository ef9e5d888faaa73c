# Two commands do all the set-up on a fresh machine with Python 3.11 and make: `make demo` and `make test`.

PYTHON ?= python3
VENV   ?= .venv
BIN     = $(VENV)/bin
# setuptools warns of every editable install that such a one is editable, over 20 lines
INSTALL = PYTHONWARNINGS=ignore::UserWarning $(BIN)/python -m pip install --quiet
JOBS   ?= auto
TESTS  ?=
FOLDER ?= my-lessons

.PHONY: demo desk test lint bench clean
.DELETE_ON_ERROR:

demo: $(VENV)/.installed
	$(BIN)/underbow render tracks/gateposts.toml -o out/gateposts
	@echo "The play-along tracks and the MIDI files are in out/gateposts: open them in any player."

desk: $(VENV)/.installed
	@mkdir -p "$(FOLDER)"
	$(BIN)/underbow desk "$(FOLDER)"

test: $(VENV)/.dev
	$(BIN)/pytest -n $(JOBS) $(TESTS)

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

$(VENV)/.installed: pyproject.toml | $(VENV)/bin/python
	$(INSTALL) --editable .
	@touch $@

$(VENV)/.dev: pyproject.toml | $(VENV)/bin/python
	$(INSTALL) --upgrade "pip>=25.1"
	$(INSTALL) --editable . --group dev
	@touch $@ $(VENV)/.installed
