# `make` alone prints what one can do. Everything runs in .venv, which is made on first use from requirements.lock.

VENV    := .venv
PY      := $(VENV)/bin/python
READY   := $(VENV)/ready
WORKERS ?= 2
FLAGS   ?=

.DEFAULT_GOAL := help
.PHONY: help demo test quick lint speed proof pictures wheel lock clean
MAKEFLAGS += --no-print-directory

help: # List the commands
	@echo "Waywright. What one can do:"
	@sed -n 's/^\([a-z]*\):[^#]*## \(.*\)/  make \1|\2/p' $(MAKEFILE_LIST) | awk -F'|' '{printf "%-16s %s\n", $$1, $$2}'
	@echo "The first command makes the environment in $(VENV); it needs Python 3.11 or newer with venv."

demo: $(READY) ## Open the sample shop
	@$(VENV)/bin/waywright demo $(FLAGS)

test: lint ## Lint, types and every test; FLAGS="-k zones" narrows it
	@$(PY) -m pytest -n $(WORKERS) --dist worksteal $(FLAGS)

quick: $(READY) ## The tests without the long seeded studies
	@$(PY) -m pytest -n $(WORKERS) --dist worksteal -m "not slow" $(FLAGS)

lint: $(READY) ## Lint and strict types alone
	@$(PY) -m ruff check .
	@$(PY) -m mypy

speed: $(READY) ## Benchmarks against the references; writes benchmarks/README.md. FLAGS=bench_help: only that
	@$(PY) -m benchmarks.run $(FLAGS)

proof: $(READY) ## The large simulation studies; writes docs/tables. FLAGS=NAME: only that
	@$(PY) -m studies.run $(FLAGS)

pictures: $(READY) ## Draw the pictures of the documentation
	@if [ -f docs/pictures.py ]; then $(PY) docs/pictures.py; else echo "There are no pictures to draw yet."; fi

wheel: $(READY) ## Build the source archive, and the wheel from it, into dist
	@rm -rf dist && mkdir -p build
	@$(PY) -m build --no-isolation --outdir dist . >build/wheel.log 2>&1 || { cat build/wheel.log; exit 1; }
	@ls dist/*

lock: ## Work out requirements.lock anew; FLAGS=--upgrade takes the newest releases
	@sh .ci/lock $(FLAGS)

clean: ## Remove the environment and everything built
	rm -rf $(VENV) build dist .mypy_cache .ruff_cache .pytest_cache .hypothesis

# The stamp holds the folder it was made in: in a copied or moved folder the old environment would run the old
# folder's code, so it is made anew there.
ifneq ($(shell cat $(READY) 2>/dev/null || echo '$(CURDIR)'),$(CURDIR))
.PHONY: $(READY)
endif

$(READY): pyproject.toml requirements.lock
	@mkdir -p build
	@if [ -f $(READY) ] && [ "$$(cat $(READY))" != "$(CURDIR)" ]; then rm -rf $(VENV); fi
	@echo "Making the environment in $(VENV), once; the libraries are some 150 MB." >&2
	@"$$(sh .ci/find-python || echo false)" -m venv $(VENV)
	@$(PY) -m pip install -qq --disable-pip-version-check --require-hashes -r requirements.lock
	@$(PY) -m pip install -qq --disable-pip-version-check --no-deps --no-build-isolation --editable .
	@echo '$(CURDIR)' >$(READY)
