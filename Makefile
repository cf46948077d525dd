# Everything here makes what it needs.  `make` alone says what there is.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
NODE := tests/interpreter/node_modules
NODE_READY := $(NODE)/.ready
TYPINGS := $(VENV)/typings/machine.pyi
OUT := out
JOBS ?= $(shell nproc 2>/dev/null || echo 2)
SCENARIO ?= udds-weak-module
TARGET ?= $(if $(wildcard $(BIN)/micropython)$(shell command -v micropython 2>/dev/null),interpreter,in-process)

.PHONY: help demo test lint bench mutants soak fuzz docs pictures clean extras node
.DEFAULT_GOAL := help

help:
	@echo "make demo    one drive with a weak module, in a real interpreter, to a report to open"
	@echo "make test    all tests"
	@echo "make lint    ruff, mypy, import rules"
	@echo "make bench   speed, memory, and what a scan costs"
	@echo "make mutants every small change of the firmware against its tests (QUICK=1: a sample)"
	@echo "make soak    random courses against the oracle; MINUTES=10 SEED=1"
	@echo "make fuzz    everything that takes bytes from outside, SECONDS=60 each; TARGET=wire for one (docs/fuzz.md)"
	@echo "make docs    the parts of the documents that are made from tables"
	@echo "make pictures  the picture in the README, with headless chromium"
	@echo "make clean   take away all that these made"
	@echo "JOBS=... says how many processes at once; PYTHON=... chooses the Python, 3.11 or later, that .venv is made with"

demo: $(READY)
	@echo "demo: $(SCENARIO) on the $(TARGET) target ..."
	@mkdir -p $(OUT)
	@$(BIN)/packwarden bench $(SCENARIO) --target $(TARGET) --out $(OUT)
	@test -s $(OUT)/$(SCENARIO).html
	@echo "demo: open $(CURDIR)/$(OUT)/$(SCENARIO).html"

test: $(READY) node extras
	@echo "test: pytest ..."
	@$(BIN)/python -m pytest -m "not cost" -n $(JOBS) --dist loadfile --junitxml=$(OUT)/tests.xml

lint: $(READY) $(TYPINGS)
	@echo "lint: ruff, mypy, the firmware against the board's stubs, import rules ..."
	@$(BIN)/ruff check --quiet .
	@$(BIN)/mypy --no-error-summary
	@$(BIN)/mypy --no-error-summary --config-file tests/firmware/mypy.ini firmware/warden firmware/boards firmware/main.py firmware/loader.py
	@$(BIN)/python -m pytest -q --no-header tests/test_house.py

bench: $(READY) node extras
	@echo "bench: speed, memory, and what a scan costs ..."
	@$(BIN)/python -m pytest -q --no-header -s -m cost

mutants: $(READY)
	@$(BIN)/python -c 'import mutmut' 2>/dev/null || $(BIN)/python -m pip install --disable-pip-version-check --quiet -e '.[mutants]'
	@$(BIN)/python tests/mutants/run.py $(if $(QUICK),--quick) --jobs $(JOBS)

soak: $(READY)
	@$(BIN)/python -m tests.properties.soak --minutes $(or $(MINUTES),10) --seed $(or $(SEED),1)

# TARGET as somebody gave it: the one above is about what runs the relay.
fuzz: $(READY)
	@$(BIN)/python tests/fuzz/run.py fuzz --seconds $(or $(SECONDS),60) \
	  $(if $(filter command environment,$(firstword $(origin TARGET))),$(TARGET))

docs: $(READY)
	@$(BIN)/python -m packwarden.bench.reference
	@$(BIN)/python -m packwarden.safety.reference
	@$(BIN)/python -m packwarden.sizing.reference
	@echo "docs: the made parts of docs/bench.md, packs.md, protection.md, safety.md and sizing.md made anew"

pictures: $(READY)
	@$(BIN)/python docs/pictures.py

clean:
	@rm -rf $(VENV) $(NODE) $(OUT) build dist .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache .coverage
	@rm -rf host/*.egg-info
	@find firmware host tests -name __pycache__ -type d -prune -exec rm -rf {} +

# -- what the others need ---------------------------------------------------------------------------------

$(READY): pyproject.toml
	@command -v $(PYTHON) >/dev/null || { echo "no $(PYTHON): install Python 3.11 or later, or make PYTHON=..."; exit 1; }
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "$(PYTHON) is $$($(PYTHON) -c 'import sys; print(sys.version.split()[0])'): 3.11 or later is needed; make PYTHON=... chooses"; exit 1; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null || \
	  { echo "$(PYTHON) can't make a virtual environment: apt install python3-venv"; exit 1; }
	@echo "venv: $(VENV), a minute the first time ..."
	@$(PYTHON) -m venv $(VENV)
	@$(BIN)/python -m pip install --disable-pip-version-check --quiet --editable '.[dev]' >$(VENV)/install.log 2>&1 || \
	  { cat $(VENV)/install.log; exit 1; }
	@touch $@

# Stubs of the RP2040 port.  Never into the environment itself: they shadow standard modules.
$(TYPINGS): $(READY)
	@echo "typings: the board's stubs ..."
	@$(BIN)/python -m pip install --disable-pip-version-check --quiet --target $(VENV)/typings \
	  micropython-rp2-rpi-pico-stubs==1.29.0.post1 >$(VENV)/typings.log 2>&1 || { cat $(VENV)/typings.log; exit 1; }
	@touch $@

ifneq ($(shell command -v npm 2>/dev/null),)
node: $(NODE_READY)
else
node:
endif

$(NODE_READY): tests/interpreter/package.json
	@echo "node: the 32-bit MicroPython ..."
	@cd tests/interpreter && npm install --no-package-lock --no-audit --no-fund --no-update-notifier --silent
	@touch $@

extras:
	@have() { command -v $$1 >/dev/null || echo "without $$1: $$2 (apt install $$3)"; }; \
	have ngspice "no check of the precharge and divider circuits against a circuit simulator" ngspice; \
	have valgrind "no count of the instructions that a scan costs" valgrind; \
	have node "no run on the 32-bit interpreter" nodejs; \
	have npm "no run on the 32-bit interpreter" npm; \
	have pypy3 "no check that plant and bench run under PyPy" pypy3; \
	have chromium "no test of pages in a real browser" chromium
