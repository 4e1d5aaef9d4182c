# Everything starts here. `make demo` runs the main job from nothing; `make test` passes the tests.
# Needs Python 3.11 or later, git and make; the first target you call sets up .venv from the lock.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
DEMO_HOME ?= vansnap-home
READY := $(VENV)/.ready
TOOLS := $(VENV)/.ready-for-tests
UV := UV_PYTHON=$(BIN)/python $(BIN)/uv
# Nothing is installed whose hash is not in a lock: a line without one, or another hash, ends the set-up.
HASHED := --require-hashes

.PHONY: help setup demo board test check format lint types layers kernels bench study endure mutate fuzz sbom audit lock browser proxy pictures clean

help:
	@echo "make demo     set up, build the sample fleet, run the weekly job on it"
	@echo "make board    open the board on the demo (loopback only)"
	@echo "make test     set up and run the tests"
	@echo "make check    format, lint, types, import layers, tests"
	@echo "make bench    speed and memory, as ratios against a reference in the same run"
	@echo "make study    the long studies behind tests/studies/RESULTS.md"
	@echo "make endure   kills at random instants, each run again and compared; goes on counting where it stopped"
	@echo "make mutate   a sample of mutations, and how many the tests notice"
	@echo "make fuzz     damaged and hostile files, as many as wanted, against everything that reads one from outside"
	@echo "make sbom     the bill of materials (CycloneDX) and the licences of all packages, in build/"
	@echo "make audit    known vulnerabilities of what is locked, where a database can be reached"
	@echo "make lock     resolve the locks anew"

setup: $(READY) kernels

$(READY): requirements.lock requirements-setup.lock pyproject.toml
	@echo "setting up $(VENV) (about a minute)"
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check $(HASHED) -r requirements-setup.lock
	@$(UV) pip sync --quiet --compile-bytecode $(HASHED) requirements-setup.lock requirements.lock
	@$(UV) pip install --quiet --no-deps --no-build-isolation --editable .
	@touch $(READY)

$(TOOLS): $(READY) requirements-tests.lock
	@echo "adding what the tests need"
	@$(UV) pip install --quiet --compile-bytecode $(HASHED) -r requirements-tests.lock
	@touch $(TOOLS)

demo: kernels
	@$(BIN)/vansnap demo --fresh --home $(DEMO_HOME)

board: $(READY)
	@$(BIN)/vansnap board --home $(DEMO_HOME)

# A browser is a stated prerequisite of the browser tests. Where we may install one, we do; elsewhere the
# tests that need it are skipped and say so.
browser:
	@command -v chromium >/dev/null 2>&1 || command -v chromium-browser >/dev/null 2>&1 || command -v google-chrome >/dev/null 2>&1 || \
	if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then \
		echo "installing Chromium for the browser tests"; \
		(apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends chromium) >/dev/null 2>&1 || \
		echo "Chromium could not be installed: the browser tests will be skipped"; \
	else echo "no Chromium: the browser tests will be skipped"; fi

# Likewise the proxy whose shipped example the tests start; its own service is not.
proxy:
	@command -v nginx >/dev/null 2>&1 || test -x /usr/sbin/nginx || \
	if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then \
		echo "installing nginx for the tests of the shipped proxy"; \
		(apt-get update -qq && RUNLEVEL=1 DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends nginx-light) \
		>/dev/null 2>&1 || echo "nginx could not be installed: the tests of the shipped proxy will be skipped"; \
	else echo "no nginx: the tests of the shipped proxy will be skipped"; fi

# Compiled kernels are cached per source file, and a kernel that calls one of another file does not notice when that
# one changes: kernels older than the newest source go, and what is wanting is compiled once, on both cores.
kernels: $(READY)
	@newest=$$(find models sample_fleet tests/otherfleet -name '*.py' -printf '%T@ %p\n' | sort -rn | head -1 | cut -d' ' -f2-); \
	find models sample_fleet tests -name '*.nb[ic]' ! -newer "$$newest" -delete
	@$(BIN)/python -m pipelines.weekly.prepare

test: $(TOOLS) browser proxy kernels
	@$(BIN)/python -m pytest -n 3 --dist loadfile

format: $(TOOLS)
	@$(BIN)/ruff format .

lint: $(TOOLS)
	@$(BIN)/ruff format --check . && $(BIN)/ruff check .

types: $(TOOLS)
	@$(BIN)/mypy

layers: $(TOOLS)
	@$(BIN)/lint-imports

check: lint types layers test

bench: $(TOOLS) kernels
	@$(BIN)/python -m tests.bench

study: $(TOOLS) kernels
	@$(BIN)/python -m tests.studies

endure: $(TOOLS) kernels
	@$(BIN)/python -m tests.studies.endure $(ENDURE)

mutate: $(TOOLS)
	@$(BIN)/python -m tests.mutation $(MUTATE)

fuzz: $(TOOLS)
	@$(BIN)/python -m tests.fuzz $(FUZZ)

LOCKED := --quiet --python-version 3.11 --universal --generate-hashes --no-emit-index-url --no-emit-find-links \
	--custom-compile-command "make lock"

lock: $(READY)
	@$(UV) pip compile $(LOCKED) --all-extras --group tests --upgrade pyproject.toml -o requirements-tests.lock
	@$(UV) pip compile $(LOCKED) --extra mdf --constraints requirements-tests.lock pyproject.toml -o requirements.lock
	@printf 'uv\nsetuptools\n' | $(UV) pip compile $(LOCKED) --upgrade --constraints requirements-tests.lock - -o requirements-setup.lock

sbom: $(TOOLS)
	@$(BIN)/python -m tests.supply.bom build

audit: $(TOOLS)
	@$(BIN)/python -m tests.supply.vulnerabilities

pictures: $(TOOLS) browser
	@$(BIN)/python -m tests.make_pictures $(DEMO_HOME)

clean:
	@rm -rf $(VENV) build *.egg-info
