# Everything runs in .venv, set up once from requirements/lock.txt (versions and hashes).
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
JOBS ?= 2

.PHONY: setup system kernels frontend demo desk test lint unit bench docs lock clean

setup: system $(READY) kernels frontend

# PostgreSQL and a browser for the tests: installed when root, said to be missing otherwise.
system:
	@sh requirements/system.sh

# The desk's job page; nothing happens if its sources are those of the last build.
frontend: $(READY)
	@$(BIN)/python -m asfound.desk.build

# Python to byte code and loops to machine code; what has not changed since takes a second.
kernels: $(READY)
	@$(BIN)/python -m compileall -q src
	@$(BIN)/python -m asfound.compiled

$(READY): requirements/lock.txt pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "asfound needs Python 3.11 or newer; try: make PYTHON=python3.11")'
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	@echo "Setting up .venv (once; a minute or two) ..."
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements/lock.txt
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation --editable .
	@touch $(READY)

demo: $(READY) kernels
	@$(BIN)/asfound demo demo-job --process

desk: $(READY) kernels frontend
	@$(BIN)/asfound desk --demo --data desk-data

test: setup lint unit

lint: $(READY)
	$(BIN)/ruff check src tests bench
	$(BIN)/ruff format --check src tests bench
	$(BIN)/mypy
	$(BIN)/lint-imports

unit: $(READY) kernels frontend
	$(BIN)/python -m pytest -q -n $(JOBS) --dist worksteal

bench: $(READY) kernels
	@for file in bench/bench_*.py; do echo "== $$file"; $(BIN)/python $$file || exit 1; done

docs: $(READY)
	$(BIN)/python docs/make_reference.py

lock:
	$(PYTHON) -m venv $(VENV)-lock && $(VENV)-lock/bin/pip install --quiet uv
	$(VENV)-lock/bin/uv pip compile --universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-header --quiet --all-extras --group test --group build pyproject.toml -o requirements/lock.txt
	rm -rf $(VENV)-lock

clean:
	rm -rf $(VENV) demo-job .mypy_cache .ruff_cache .hypothesis .import_linter_cache
	rm -rf src/asfound/desk/static/bundle src/asfound/desk/frontend/node_modules
