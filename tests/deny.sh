#!/bin/sh
# Holds what the program is built from against deny.toml: licences, sources, bans, and known faults where their database can be
# reached. cargo-deny is taken from the machine, else built once into target/tools (some minutes).
set -eu
cd "$(dirname "$0")/.."
if command -v cargo-deny >/dev/null 2>&1; then
    deny=cargo-deny
else
    deny=target/tools/bin/cargo-deny
    # built away from the program, so that neither changes what the other is compiled with
    [ -x "$deny" ] || cargo install --quiet --locked --version 0.20.2 --root target/tools --target-dir target/tools/build cargo-deny
    rm -rf target/tools/build
fi
"$deny" --locked check licenses bans sources
if "$deny" --locked fetch db >/dev/null 2>&1; then
    "$deny" --locked check advisories
else
    echo "NOT CHECKED: known faults of dependencies, as the database of advisories cannot be reached from here" >&2
fi
