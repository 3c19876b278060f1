# Everything happens inside a virtual environment that is made here: VENV=... puts it elsewhere.
PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
DEMO_OUT ?= demo_out
BENCH_OUT ?= bench_out
BENCH_PLAYS ?= 300
export OMP_NUM_THREADS ?= 2
export PIP_DISABLE_PIP_VERSION_CHECK := 1

.PHONY: demo test check bench bench-eyes samples wheel clean help
help:
	@echo "make demo    install, chart the clips in sample_frames/, say where the results are"
	@echo "make test    install with the test extra, run the suite"
	@echo "make check   formatting, lint, types and the suite"
	@echo "make bench   render BENCH_PLAYS=$(BENCH_PLAYS) unseen plays, chart them, write models/metrics.json and README figures"
	@echo "make bench-eyes  how far the eyes hold on unseen looks, and what each learned part buys: models/EYES.md"
	@echo "make samples render sample_frames/ again"

$(BIN)/python:
	@$(PYTHON) -c 'import sys; sys.exit(0 if sys.version_info >= (3, 11) else "Python 3.11 or newer is needed: make PYTHON=python3.11 ...")'
	$(PYTHON) -m venv $(VENV)

$(VENV)/.installed: $(BIN)/python pyproject.toml
	$(BIN)/python -m pip install -q .
	@touch $@

$(VENV)/.installed-test: $(BIN)/python pyproject.toml
	$(BIN)/python -m pip install -q -e '.[test]'
	@touch $@ $(VENV)/.installed

demo: $(VENV)/.installed
	$(BIN)/snapledger chart sample_frames --field college --out $(DEMO_OUT)
	@$(BIN)/snapledger evaluate $(DEMO_OUT) sample_frames/truth

test: $(VENV)/.installed-test
	$(BIN)/python -m pytest

check: $(VENV)/.installed-test
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/python -m pytest

bench: $(VENV)/.installed-test
	$(BIN)/python -m models.training.bench --plays $(BENCH_PLAYS) --out $(BENCH_OUT)

bench-eyes: $(VENV)/.installed-test
	$(BIN)/python -m models.training.bench_eyes --collected $(BENCH_OUT) --out $(BENCH_OUT)/eyes

samples: $(VENV)/.installed-test
	$(BIN)/python -m models.training.make_samples --out sample_frames

wheel: $(BIN)/python
	$(BIN)/python -m pip wheel -q --no-deps -w dist .

clean:
	rm -rf $(DEMO_OUT) $(BENCH_OUT) build dist *.egg-info
