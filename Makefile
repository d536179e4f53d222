# Named tasks. `make demo` and `make test` set up all they need from a Rust toolchain and CPython >= 3.11.
# An active virtual environment must neither be used nor changed: everything happens in .venv.
unexport VIRTUAL_ENV CONDA_PREFIX PYTHONPATH PYTHONHOME
export PYTHON

PY := .venv/bin/python
JOBS ?= 2
MOVED := $(shell test "$$(cat .venv/.ready 2>/dev/null)" = "$$(pwd -P)" || echo yes)
EXTENSION_SOURCES := Cargo.toml Cargo.lock pyproject.toml \
    $(shell find crates -type f -not -path '*/tests/*' -not -path '*/benches/*')

.PHONY: help setup demo test test-rust test-python fmt lint lint-rust lint-python check-core wheel sdist fuzz coverage audit semver docs bench lock clean

help:
	@echo "make demo    examine the two bundled captures; reports in build/demo"
	@echo "make test    set up, then all Rust and Python tests and doctests"
	@echo "make fmt     format Rust and Python"
	@echo "make lint    formatting, clippy, ruff, mypy --strict, pyright, stubtest, dependencies of the core"
	@echo "make docs    API documentation of the crates, in target/doc; the site, in build/docs"
	@echo "make bench   benchmarks"
	@echo "make wheel   build a wheel and try it in an environment that has NumPy alone"
	@echo "make sdist   build the source distribution and the wheel from it alone"
	@echo "make fuzz    fuzz every reader and entry point, SECONDS=60 for each"
	@echo "make coverage  lines of the core that its own tests run"
	@echo "make audit   licences, sources and advisories of all crates (needs cargo-deny)"
	@echo "make semver  public items of the published crates against the last tag (needs cargo-semver-checks)"
	@echo "make lock    resolve the pinned Python packages anew"
	@echo "make clean   remove everything that was built"

setup: .venv/.extension

.venv/.ready: requirements/dev.txt tools/setup.sh
	sh tools/setup.sh

ifeq ($(MOVED),yes)
.PHONY: .venv/.ready
endif

.venv/.extension: .venv/.ready $(EXTENSION_SOURCES)
	VIRTUAL_ENV="$$(pwd -P)/.venv" $(PY) -m maturin develop --release
	@touch $@

DEMO := python/sixpulse/demo
DEMO_ROLES := --role post=charging_post --role speed=speed_sensor

demo: setup
	@mkdir -p build/demo
	@echo "== The sprayer's rate controller shows ground speed while the tractor stands"
	$(PY) -m sixpulse examine $(DEMO)/parked.csv $(DEMO_ROLES) --report build/demo/parked.html
	@echo
	@echo "== The same tractor after the repair"
	$(PY) -m sixpulse examine $(DEMO)/repaired.csv $(DEMO_ROLES) --report build/demo/repaired.html
	@echo
	@echo "Reports: build/demo/parked.html and build/demo/repaired.html (open them in a browser)"

test: test-rust test-python

# The binding has no Rust tests of its own (it cannot be linked without an interpreter); pytest covers it.
test-rust:
	cargo test --locked --all-features

test-python: setup
	$(PY) -m pytest -n $(JOBS)

fmt: .venv/.ready
	cargo fmt --all
	$(PY) -m ruff format
	$(PY) -m ruff check --fix

lint: lint-rust lint-python check-core

lint-rust:
	cargo fmt --all --check
	cargo clippy --locked --workspace --all-targets --all-features -- -D warnings

lint-python: setup
	$(PY) -m ruff format --check
	$(PY) -m ruff check
	$(PY) -m mypy
	$(PY) -m basedpyright --warnings
	$(PY) -m mypy.stubtest sixpulse._core --allowlist tools/stubtest_allowlist.txt

check-core:
	sh tools/check_core.sh

wheel: .venv/.ready
	sh tools/check_wheel.sh

sdist: .venv/.ready
	sh tools/check_sdist.sh

SECONDS ?= 60
FUZZ_JOBS ?= 1
FUZZ_RUNS ?= -1
fuzz:
	FUZZ_JOBS=$(FUZZ_JOBS) FUZZ_RUNS=$(FUZZ_RUNS) sh tools/fuzz.sh $(SECONDS) $(TARGETS)

coverage:
	sh tools/coverage.sh

audit:
	cargo deny --locked check

BASELINE ?= $(shell git describe --tags --abbrev=0 2>/dev/null)
semver:
	@test -n "$(BASELINE)" || { echo "no tag yet: make semver BASELINE=COMMIT" >&2; exit 2; }
	cargo semver-checks --baseline-rev "$(BASELINE)" -p sixpulse -p sixpulse-io -p sixpulse-sim

docs: setup
	RUSTDOCFLAGS="-D warnings" cargo doc --locked --no-deps --all-features
	$(PY) -m sphinx -q -W --keep-going -j $(JOBS) -b html docs build/docs

bench:
	cargo bench --locked --bench '*'

lock:
	sh tools/lock.sh

clean:
	rm -rf .venv build target python/sixpulse/_core*.so .pytest_cache .mypy_cache .ruff_cache .hypothesis
