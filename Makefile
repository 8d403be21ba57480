# Two commands: `make run` starts the whole service, `make test` runs the whole test suite.
# Both need make and Python 3.11 or newer, nothing else. `make help` lists the rest.

# The first Python that is new enough; name another with PYTHON=/path/to/python.
PYTHON ?= $(shell for python in python3.13 python3.12 python3.11 python3 python; do \
	"$$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null \
	&& echo "$$python" && exit; done; echo python3)
PORT ?= 8000
ARGS ?=
BIN := .venv/bin

.DEFAULT_GOAL := help
.PHONY: help run reset test check format openapi lock packages dev-packages python

help: ## List the commands
	@sed -n 's/^\([a-z-]*\):.*## /\1\t/p' Makefile | while IFS="$$(printf '\t')" read -r name text; do \
		printf '  make %-9s %s\n' "$$name" "$$text"; done

run: packages ## Start everything with an invented demonstration chain; Ctrl-C stops it (PORT=8000)
	@$(BIN)/python -m config.local run --port $(PORT)

reset: packages ## Forget the data of `make run`
	@$(BIN)/python -m config.local reset

test: dev-packages ## Run the whole test suite on servers of its own (ARGS='-k booking')
	@$(BIN)/python -m config.local test -- $(ARGS)

check: dev-packages ## Format, lint, types, import contracts, deployment, migrations, OpenAPI
	@$(BIN)/python -m config.checks

format: dev-packages ## Put the code into the agreed form
	@$(BIN)/ruff format . && $(BIN)/ruff check --fix .

openapi: dev-packages ## Write the OpenAPI document anew, after changing the API on purpose
	@$(BIN)/python -m config.checks openapi --write

lock: dev-packages ## Write requirements/*.txt anew from requirements/*.in
	@$(BIN)/python -m config.lock

packages: python
	@$(PYTHON) config/bootstrap.py local

dev-packages: python
	@$(PYTHON) config/bootstrap.py dev

python:
	@command -v $(PYTHON) >/dev/null || { \
		echo "No Python was found. Install Python 3.11, 3.12 or 3.13, or name one: make run PYTHON=/path/to/python3"; \
		exit 1; }
