# Two commands: `make demo` shows the whole story, `make test` proves it.
PYTHON ?= python3
BIN := .venv/bin

.PHONY: demo test check benchmarks outside campaign clean

.venv/ready: pyproject.toml constraints.txt
	$(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[dev]' -c constraints.txt
	touch .venv/ready

demo: .venv/ready
	$(BIN)/amphora demo --out demo

test: .venv/ready
	$(BIN)/python -m pytest -q

check: .venv/ready
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

benchmarks: .venv/ready
	$(BIN)/python -m tests.benchmarks

outside: .venv/ready
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[dev,outside]' -c constraints.txt
	$(BIN)/python -m pytest -q tests/external/outside

campaign: .venv/ready
	$(BIN)/python -m tests.campaign --nights 1000

clean:
	rm -rf .venv demo
