# One command a job. Everything goes into .venv; outside this folder nothing is changed, except that missing Debian packages
# (python3.x-venv; for tests libportaudio2 and jackd2) are installed where that is allowed. `make PYTHON=/path/to/python3 demo`
# chooses a Python for a new .venv.

.DEFAULT_GOAL := help
.PHONY: help demo test long check lint types layers docs package clean
.NOTPARALLEL:

# A folder that was moved or copied: its .venv still points to the old place and is made again.
ifneq ($(shell cat .venv/place 2>/dev/null),$(CURDIR))
.PHONY: .venv/ready-run .venv/ready-test .venv/ready-docs
endif

.venv/ready-run .venv/ready-test .venv/ready-docs: .venv/ready-%: pyproject.toml .ci/bootstrap.sh
	@sh .ci/bootstrap.sh $*

help:  ## this list
	@sed -n 's/^\([a-z]*\):.*## /make \1\t/p' Makefile | expand -t 14

demo: .venv/ready-run  ## the whole loop on a virtual patient, without hardware (ARGS="--only hearing" passes options on)
	@.venv/bin/quietfloor demo $(ARGS)

test: .venv/ready-test  ## all tests but the long ones, those in need of real time by themselves (ARGS="tests/core -x" passes options on)
	.venv/bin/python -m tests.all $(ARGS)

long: .venv/ready-test  ## the long tests: whole sessions, every page of the documentation, proofs by simulation
	.venv/bin/python -m tests.all --long $(ARGS)

check: lint types layers  ## lint, types, and who may import whom (with --keep-going all three, whatever fails)

lint: .venv/ready-test
	.venv/bin/ruff check .

types: .venv/ready-test
	.venv/bin/mypy

layers: .venv/ready-test
	.venv/bin/lint-imports
	.venv/bin/python -m pytest tests/test_layers.py

docs: .venv/ready-docs  ## these pages as a site with a search box, in build/site; a link that leads nowhere is an error
	.venv/bin/sphinx-build --quiet --fail-on-warning --keep-going -c docs . build/site
	@cp build/site/README.html build/site/index.html

package:  ## wheel and source distribution into dist/, installed and run in new environments (PYTHON="python3.12" chooses)
	@sh .ci/package.sh

clean:  ## remove .venv and caches; recordings stay
	rm -rf .venv build dist *.egg-info .mypy_cache .ruff_cache .pytest_cache .import_linter_cache
