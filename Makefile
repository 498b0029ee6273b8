# Two commands: `make demo` shows the whole story, `make test` proves it.
PYTHON ?= python3
BIN := .venv/bin

.PHONY: demo test check commands benchmarks outside nights browser campaign clean

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

commands: .venv/ready
	$(BIN)/python tests/support/command_reference.py

benchmarks: .venv/ready
	$(BIN)/python -m tests.benchmarks

outside: .venv/ready
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[dev,outside]' -c constraints.txt
	$(BIN)/python -m pytest -q tests/external/outside

nights: .venv/ready
	$(BIN)/python -m tests.campaign --nights 80
	$(BIN)/python -m tests.campaign.kills --kills 10

browser: .venv/ready
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[dev,browser]' -c constraints.txt
	$(BIN)/python -m pytest -q tests/browser

campaign: .venv/ready
	$(BIN)/python -m tests.campaign --nights 10000 --workers 2

clean:
	rm -rf .venv demo
