# Tasks of Hotchpot. `make` alone lists them.
# Every task makes its own environment first; nothing outside this folder is written.
#   PYTHON=...  the Python to build the environment with (3.11 or newer; found by itself when not given)
#   VENV=...    where the environment stands (.venv)

SHELL := /bin/sh
.DEFAULT_GOAL := help
.DELETE_ON_ERROR:
.SUFFIXES:
MAKEFLAGS += --no-builtin-rules

PYTHON ?=
VENV ?= .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.made
JOBS ?= 2

unexport PYTHONPATH PYTHONHOME
export PIP_DISABLE_PIP_VERSION_CHECK := 1
export PIP_NO_INPUT := 1
export PIP_ROOT_USER_ACTION := ignore

# Prints the first Python that is new enough and can make environments, or says what is missing and fails.
define FIND_PYTHON
found=; \
for python in "$(PYTHON)" python3.13 python3.12 python3.11 python3; do \
  [ -n "$$python" ] || continue; \
  if "$$python" -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; then \
    found=$$python; break; \
  fi; \
  [ -z "$(PYTHON)" ] || break; \
done; \
if [ -z "$$found" ]; then \
  echo "Hotchpot needs Python 3.11 or newer with its venv and ensurepip modules, and found none." >&2; \
  if [ -n "$(PYTHON)" ]; then echo "Tried PYTHON=$(PYTHON) only, as asked." >&2; \
  else echo "Tried python3.13, python3.12, python3.11 and python3." >&2; fi; \
  echo "On Debian or Ubuntu: apt-get install python3 python3-venv. Or name one: make PYTHON=/path/to/python3 ..." >&2; \
  exit 1; \
fi
endef

# Fetches ngspice, which the tests hold the circuit against, where that is easy; else says that those tests are skipped.
define WANT_NGSPICE
if ! command -v ngspice >/dev/null 2>&1; then \
  if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then \
    echo "Installing ngspice for the tests of the circuit ..." >&2; \
    fetch="env DEBIAN_FRONTEND=noninteractive apt-get -qq -o Acquire::Retries=0 -o DPkg::Lock::Timeout=60"; \
    $$fetch install -y --no-install-recommends ngspice >/dev/null 2>&1 \
      || { $$fetch update && $$fetch install -y --no-install-recommends ngspice; } >/dev/null 2>&1 \
      || true; \
  fi; \
  command -v ngspice >/dev/null 2>&1 || echo "ngspice is missing: the tests against it are skipped." >&2; \
fi
endef

.PHONY: help
help: ## list the tasks
	@echo "Tasks:"
	@awk -F ':.*## ' '/^[a-z]+:.*## / { printf "  make %-6s %s\n", $$1, $$2 }' Makefile
	@echo "Options: PYTHON=python3.12 (which Python to build with), VENV=.venv (where), JOBS=2 (tests at once)"

.PHONY: demo
demo: $(STAMP) ## walk through an invented pile: judge, arrange, join
	@$(BIN)/hotchpot demo

.PHONY: test
test: $(STAMP) ## run all tests and every example in docstrings and docs
	@$(WANT_NGSPICE)
	@$(BIN)/python -m pytest -n $(JOBS) --doctest-modules --doctest-glob='*.md' src tests docs README.md

.PHONY: check
check: $(STAMP) ## lint, formatting, types, and the laws between rooms
	@failed=0; \
	$(BIN)/python -m ruff check . || failed=1; \
	$(BIN)/python -m ruff format --check . || failed=1; \
	$(BIN)/python -m mypy || failed=1; \
	$(BIN)/lint-imports --no-logo || failed=1; \
	exit $$failed

.PHONY: bench
bench: $(STAMP) ## run every benchmark
	@for file in benchmarks/*.py; do \
	  [ -f "$$file" ] || { echo "No benchmarks here."; break; }; \
	  echo "== $$file"; $(BIN)/python "$$file" || exit 1; \
	done

.PHONY: lock
lock: ## write requirements.lock anew from pyproject.toml
	@$(FIND_PYTHON); \
	rm -rf build-out/lock && mkdir -p build-out && "$$found" -m venv build-out/lock; \
	build-out/lock/bin/python -c 'import tomllib; p = tomllib.load(open("pyproject.toml", "rb"))["project"]; print(*p["dependencies"], *p["optional-dependencies"]["dev"], sep="\n")' > build-out/lock/wanted.txt && \
	build-out/lock/bin/python -m pip install --quiet --requirement build-out/lock/wanted.txt && \
	build-out/lock/bin/python -m pip freeze > build-out/lock/frozen.txt && \
	{ sed -n '/^#/p' requirements.lock; LC_ALL=C sort -f build-out/lock/frozen.txt; } > build-out/lock/new.lock && \
	mv build-out/lock/new.lock requirements.lock && rm -rf build-out/lock && echo "requirements.lock is written."

.PHONY: clean
clean: ## remove the environment, caches and what was built
	@rm -rf "$(VENV)" build-out dist .pytest_cache .mypy_cache .ruff_cache .hypothesis .import_linter_cache
	@find src tests benchmarks -name __pycache__ -type d -prune -exec rm -rf {} +

# An environment that another Python began, or that was cut off half-way, is begun again.
$(STAMP): requirements.lock pyproject.toml
	@$(FIND_PYTHON); \
	if ! "$(BIN)/python" -c 'import sys, pip; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; then \
	  rm -rf "$(VENV)" && "$$found" -m venv "$(VENV)" || exit 1; \
	fi; \
	echo "Making the environment in $(VENV) (a minute or two the first time) ..." >&2; \
	log="$(VENV)/install.log"; \
	if "$(BIN)/python" -m pip install --requirement requirements.lock >"$$log" 2>&1 \
	  && "$(BIN)/python" -m pip install --no-deps --no-build-isolation --editable . >>"$$log" 2>&1; then \
	  touch "$@"; \
	else \
	  cat "$$log" >&2; \
	  echo "The environment could not be made; pip's own words are above." >&2; \
	  exit 1; \
	fi
