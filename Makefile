# Every target sets up what it needs by itself; see setup.sh.
.PHONY: help setup setup-dev serve demo test install-check lint types check bench workshop long attack mutants schema pictures \
	screenshots lock clean
PY := .venv/bin/python

help:
	@echo "make demo    set up, then run the whole job on the demo scenario"
	@echo "make test    set up, then run the tests"
	@echo "make serve   start the web app on this computer"
	@echo "make check   lint, types, import directions, tests"
	@echo "make install-check   build the wheel, install it in an empty place and use it there (some minutes)"
	@echo "make bench   print the benchmark table"
	@echo "make long    the tests that need minutes (demo over 50 seeds)"
	@echo "make attack  hostile input, broken files, kills: everything in attack/ (ten minutes; seeds are printed)"
	@echo "make mutants  plant 400 small faults and count those that the tests notice (an hour)"
	@echo "make workshop   tune 500 virtual pieces and find the faults of 300 virtual heads (half an hour)"
	@echo "make pictures   redraw the chart that README shows"
	@echo "make screenshots   take a picture of every page of the web app, and renew the guide's small ones"
	@echo "make lock    renew the locked versions"

setup:
	@./setup.sh
setup-dev:
	@./setup.sh dev

serve: setup
	.venv/bin/fluewright serve

demo: setup
	.venv/bin/fluewright demo --out demo-out

test: setup-dev
	$(PY) -m pytest -n auto -m "not long and not install"

# INSTALL_PYTHON=python3.13 make install-check: the same on another Python.
install-check: setup-dev
	$(PY) -m pytest -m install -s

workshop: setup-dev
	.venv/bin/python research/workshop/pieces.py --pieces 500 --seed 1 --write
	.venv/bin/python research/workshop/heads.py --heads 300 --listened 12 --out research/workshop/heads.json --table docs/workshop-heads.md

long: setup-dev
	$(PY) -m pytest -m long -s

# SEED=7 make attack: that attack again; PARTS="models verbs" make attack: those parts.
attack: setup-dev
	$(PY) -m attack.run $(if $(SEED),--seed $(SEED)) $(PARTS)

mutants: setup-dev
	.venv/bin/uv pip install -q --python $(PY) --require-hashes -r requirements-mutants.lock
	$(PY) research/mutants/run.py --size 400 --seed 1

lint: setup-dev
	.venv/bin/ruff check .
	.venv/bin/ruff format --check .
	.venv/bin/lint-imports
	.venv/bin/oxlint --deny-warnings src/fluewright/web/static

types: setup-dev
	.venv/bin/mypy

check: lint types test

bench: setup-dev
	$(PY) benchmarks/run.py
	$(PY) benchmarks/pages.py
	$(PY) benchmarks/live_latency.py
	$(PY) benchmarks/live_latency.py --devices 8

schema: setup
	.venv/bin/fluewright check --write-schema src/fluewright/instrument/data/model.schema.json

pictures: setup
	$(PY) docs/pictures/draw.py

screenshots: setup-dev
	$(PY) docs/pictures/pages.py

lock: setup-dev
	.venv/bin/uv pip compile -q --upgrade --generate-hashes --python-version 3.11 --no-header --no-annotate pyproject.toml --extra all -o requirements.lock
	.venv/bin/uv pip compile -q --upgrade --generate-hashes --python-version 3.11 --no-header --no-annotate pyproject.toml --extra dev -c requirements.lock -o requirements-dev.lock
	.venv/bin/uv pip compile -q --upgrade --generate-hashes --python-version 3.11 --no-header --no-annotate pyproject.toml --extra mutants -c requirements-dev.lock -o requirements-mutants.lock

clean:
	rm -rf .venv .cache demo-out
