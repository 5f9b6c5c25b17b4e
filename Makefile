# make demo       two simulated boxes with the real firmware    (ARGS=--once ends by itself)
# make test       format, types and the short suite
# make endurance  day-long checks; results are kept in tests/benchmarks/
PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin

.PHONY: demo test lint endurance benchmarks lock clean

demo: $(VENV)/.ready
	$(BIN)/groundbox demo $(ARGS)

test: $(VENV)/.ready lint
	$(BIN)/python -m pytest -m "not endurance" $(ARGS)

lint: $(VENV)/.ready
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy

endurance: $(VENV)/.ready
	$(BIN)/python -m pytest -m endurance $(ARGS)

benchmarks: $(VENV)/.ready
	$(BIN)/python -m tests.benchmarks $(ARGS)

$(VENV)/.ready: requirements.lock pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --no-deps --no-build-isolation --no-index -e .
	touch $@

# Needs uv; the result carries versions and hashes for every platform and no address.
lock:
	uv pip compile --universal --generate-hashes --no-header --no-annotate \
	  --python-version 3.11 --extra test --upgrade -o requirements.lock pyproject.toml

clean:
	rm -rf $(VENV) build dist .pytest_cache .mypy_cache .ruff_cache .hypothesis
