# Two commands: `make demo` shows the whole story, `make test` proves it.
PYTHON ?= python3
BIN := .venv/bin

.PHONY: demo test test-under-load check commands benchmarks outside nights browser firmware campaign fuzz clean

.venv/ready: pyproject.toml constraints.txt
	$(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[dev]' -c constraints.txt
	touch .venv/ready

demo: .venv/ready
	$(BIN)/amphora demo --out demo

test: .venv/ready
	$(BIN)/python -m pytest -q

# Beside four busy neighbours, which end with it: no test may ask how fast the machine is.
test-under-load: .venv/ready
	$(BIN)/python tests/support/under_load.py $(MAKE) test

check: .venv/ready
	$(BIN)/ruff check --no-cache .
	$(BIN)/ruff format --check .
	mkdir -p .links/amphora
	ln -sfn ../../harness .links/amphora/harness
	ln -sfn ../../drivers .links/amphora/drivers
	ln -sfn ../../profiles .links/amphora/profiles
	ln -sfn ../../harness/library/__init__.py .links/amphora/__init__.py
	$(BIN)/mypy
	PYTHONPATH=.links $(BIN)/lint-imports

commands: .venv/ready
	$(BIN)/python tests/support/command_reference.py

benchmarks: .venv/ready
	$(BIN)/python -m tests.benchmarks

outside: .venv/ready
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[dev,outside]' -c constraints.txt
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --upgrade --no-deps --only-binary :all: \
		--python-version 3.11 --platform manylinux_2_17_x86_64 --target $(BIN)/../outside-data pybamm==23.5 \
		|| echo "the measured pouch cell could not be fetched: its checks are left out"
	$(BIN)/python -m pytest -q tests/external/outside

nights: .venv/ready
	$(BIN)/python -m tests.campaign --nights 80
	$(BIN)/python -m tests.campaign.kills --kills 10
	$(BIN)/python -m tests.campaign.tampering --stride 20

browser: .venv/ready
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[dev,browser]' -c constraints.txt
	$(BIN)/python -m pytest -q tests/browser

# The fallback board's program in simavr (about half a minute); installs Debian's tools where they are missing.
FIRMWARE_TOOLS := nodejs npm gcc libc6-dev gcc-avr avr-libc binutils-avr simavr libsimavr-dev libelf-dev
firmware: .venv/ready
	@command -v npm >/dev/null && command -v avr-gcc >/dev/null && test -e /usr/include/simavr/sim_avr.h || \
		(apt-get update && apt-get install -y --no-install-recommends $(FIRMWARE_TOOLS))
	$(BIN)/python -m pytest -q tests/firmware

# Hours, not minutes: what docs/faults.md tells. Goes on where it was cut short.
campaign: .venv/ready
	$(BIN)/python -m tests.campaign --nights 10000 --out campaign.jsonl
	$(BIN)/python -m tests.campaign.kills --kills 200 --others 40
	$(BIN)/python -m tests.campaign.file_faults
	$(BIN)/python -m tests.campaign.tampering
	$(BIN)/python -m tests.campaign --lies --nights 900
	$(BIN)/python -m tests.campaign.kills --lies 200
	npm install --no-audit --no-fund --prefix .firmware @micropython/micropython-webassembly-pyscript@1.27.0
	$(BIN)/python -m tests.campaign.firmware --board avr --capacity 3 --in-step
	$(BIN)/python -m tests.campaign.firmware --board micropython --capacity 3 --in-step \
		--micropython .firmware/node_modules/@micropython/micropython-webassembly-pyscript/micropython.mjs

fuzz: .venv/ready
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[dev,fuzz]' -c constraints.txt
	for target in scpi lines line-format dialect bench recipe chemistry duty grade cell map quantity table folder; do \
		$(BIN)/python -m tests.campaign.fuzzing $$target --seconds 120 --corpus .corpus || exit 1; done

clean:
	rm -rf .venv demo
