# make demo       two simulated boxes with the real firmware    (ARGS=--once ends by itself)
# make test       format, spelling, types and the short suite, on WORKERS processor cores
# make endurance  day-long checks; results are in tests/benchmarks/
PYTHON ?= python3
VENV ?= .venv
WORKERS ?= 2
BIN := $(VENV)/bin

.PHONY: demo test lint endurance benchmarks lock clean

demo: $(VENV)/.ready
	$(BIN)/groundbox demo $(ARGS)

test: $(VENV)/.ready lint
	$(BIN)/python -m pytest -m "not endurance" -n $(WORKERS) --dist loadgroup $(ARGS)

lint: $(VENV)/.ready
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/codespell README.md DEVELOPERS.md Makefile pyproject.toml .ci/run firmware hardware host tests
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
