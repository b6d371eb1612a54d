# Everything a person types: make demo, make test, make check, make bench.
# Each does all its own set-up in .venv; nothing outside the tree is touched but, for the tests, two Debian packages.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin

.PHONY: demo test check bench schemas messages format clean prove-tracing

demo: $(VENV)/run.stamp  ## A simulated site with two benches, watched for about a minute.
	@$(BIN)/quietbench demo

test: $(VENV)/dev.stamp  ## Every test, with a real broker and a real database.
	@packaging/test-packages
	@$(BIN)/pytest

check: $(VENV)/dev.stamp  ## Format, lint, types, import contracts.
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports

bench: $(VENV)/dev.stamp  ## The figures, as ratios to bare baselines of the same run; BENCH=--short for the short form.
	@packaging/test-packages
	@$(BIN)/pytest tests/benchmarks/bench_*.py -p no:randomly -p no:cacheprovider -q -s $(BENCH)

prove-air: $(VENV)/dev.stamp  ## The full scores of the air's analysis, into docs/proofs/air.md; a quarter of an hour.
	@$(BIN)/python -m tests.air.prove

prove-tracing: $(VENV)/dev.stamp  ## The full scoring of the tracing (about half an hour); keeps its page in docs/proofs.
	@OPENBLAS_NUM_THREADS=1 nice $(BIN)/python -m tests.tracing.prove --write

schemas: $(VENV)/dev.stamp  ## Write generated schemas anew after a change of the models.
	$(BIN)/python -m quietbench.daemon.settings.schema

messages: $(VENV)/dev.stamp  ## Bring the translations up to the sentences and compile them.
	$(BIN)/python -m quietbench.daemon.locale

format: $(VENV)/dev.stamp
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

clean:
	rm -rf $(VENV) build dist

$(VENV)/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
	  || { echo "quietbench needs Python 3.11 or newer; set PYTHON=/path/to/python3"; exit 1; }
	@$(PYTHON) -m venv $(VENV) \
	  || { rm -rf $(VENV); echo "no venv could be made; on Debian: apt-get install python3-venv"; exit 1; }
	@# pip learned dependency groups in 25.1; Debian 12 ships an older one.
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --upgrade 'pip>=25.1'

$(VENV)/run.stamp: $(VENV)/bin/python pyproject.toml
	@echo "setting up $(VENV) (once)"
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable .
	@touch $@

$(VENV)/dev.stamp: $(VENV)/run.stamp
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable . --group dev
	@touch $@
