# `make demo` and `make test` do all their set-up on a fresh Debian 12 with Rust; elsewhere they say what to install.
SHELL := /bin/sh
SUDO := $(shell [ "$$(id -u)" = 0 ] || echo sudo)
LENTIC := target/release/lentic
DEMO ?= talverra-sink
SIZES ?= 1 16

BUILD_PACKAGES := libgdal-dev gdal-bin pkg-config gcc
TEST_PACKAGES := $(BUILD_PACKAGES) python3-venv chromium faketime locales slurm-wlm munge r-cran-stars r-cran-spatstat.data zsh fish mandoc

.PHONY: demo fuzz test lint deny deb test-deb test-image bench bench-response bench-surroundings bench-connection build setup setup-test clean

## Build, write the invented basin to $(DEMO), run it
demo: build
	[ -e $(DEMO)/study.toml ] || $(LENTIC) demo $(DEMO)
	$(LENTIC) run $(DEMO)/study.toml --out $(DEMO)/run
	@echo "Open $(DEMO)/run/report.html in a browser."

## All tests, against GDAL's own programs and Python libraries too
test: setup-test .venv/made
	LENTIC_PYTHON="$(CURDIR)/.venv/bin/python" cargo test --release --workspace

## Formatting and lints
lint: setup
	cargo fmt --all --check
	cargo clippy --release --workspace --all-targets -- -D warnings
	RUSTDOCFLAGS="-D warnings" cargo doc --release --no-deps --workspace --quiet

## Licences, sources and known faults of what the program is built from (deny.toml)
deny: setup
	sh tests/deny.sh

## The whole program beside the same job in numpy and beside mere reading and writing, on basins of so many million cells
## (SIZES="1" takes four minutes on two cores, SIZES="1 16 100" over an hour and 30 GB; REPEATS=1 measures everything once, SHORT=1 large
## basins only on all cores and without the script); writes reports/benchmarks.md
bench: build setup-test .venv/made
	.venv/bin/python tests/reference/bench.py --lentic $(LENTIC) --floor target/release/floor --sizes "$(SIZES)" $(if $(REPEATS),--repeats $(REPEATS)) $(if $(SHORT),--short) --out reports/benchmarks.md

## Cells per second of the response fit, beside the same fits in numpy
bench-response: setup-test .venv/made
	CRITERION_HOME="$(CURDIR)/target/criterion" cargo bench --workspace --bench response
	.venv/bin/python tests/reference/bench_response.py target/criterion

bench-surroundings: setup
	cargo bench --workspace --bench surroundings

## The network of 5,000 patches
bench-connection: setup
	cargo bench --workspace --bench connection

## The Debian package, from the program as built (cargo install cargo-deb)
deb: build
	$(LENTIC) man target/man
	mkdir -p target/completions
	for shell in bash zsh fish; do $(LENTIC) completions $$shell > target/completions/lentic.$$shell; done
	cargo deb --no-build --no-strip --package lentic-cli --output target/debian/

## The package in a fresh Debian 12 in a folder (debootstrap, as root): installed, then the small demo written and run
test-deb: deb
	sh tests/deb.sh target/debian/*.deb

## What the container image holds (last stage of the Dockerfile) in a fresh Debian 12 in a folder (debootstrap, as root)
test-image: build
	sh tests/image.sh

## Every reader of what others write, under the fuzzer for so many seconds each; needs cargo-fuzz (cargo install cargo-fuzz)
SECONDS ?= 600
FUZZ := study scenes pattern legend records climate survey_table items kept_part matrix
fuzz: setup
	cd tests/fuzz && RUSTC_BOOTSTRAP=1 cargo fuzz build --fuzz-dir . --sanitizer none
	cd tests/fuzz && for target in $(FUZZ); do mkdir -p corpus/$$target && \
	  RUSTC_BOOTSTRAP=1 cargo fuzz run --fuzz-dir . --sanitizer none $$target corpus/$$target seeds/$$target -- \
	  -max_total_time=$(SECONDS) -max_len=20000 -timeout=10 -rss_limit_mb=1000 || exit 1; done

# The whole workspace, so that building and testing resolve to one set of features and dependencies compile once.
build: setup
	cargo build --release --workspace

setup:
	@sh tests/setup.sh $(BUILD_PACKAGES)

setup-test:
	@sh tests/setup.sh $(TEST_PACKAGES)

.venv/made: tests/reference/requirements.txt
	python3 -m venv .venv
	.venv/bin/pip install --quiet -r tests/reference/requirements.txt
	# for its copy of the schema of citation files alone: what it runs on is older than the rest
	.venv/bin/pip install --quiet --no-deps cffconvert==2.0.0
	touch .venv/made

clean:
	cargo clean
	rm -rf .venv
