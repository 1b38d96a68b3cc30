#!/bin/sh
# Installs the Debian packages given, where missing; elsewhere checks that GDAL and Rust are there and says what to do.
set -eu
if ! command -v cargo >/dev/null 2>&1; then
    echo "Rust is missing: install it with rustup (https://rustup.rs), version 1.89 or later." >&2
    exit 1
fi
if command -v dpkg-query >/dev/null 2>&1; then
    missing=""
    for package in "$@"; do
        dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q "ok installed" || missing="$missing $package"
    done
    if [ -n "$missing" ]; then
        echo "Installing:$missing"
        sudo=""
        [ "$(id -u)" = 0 ] || sudo="sudo"
        $sudo apt-get update -q
        # shellcheck disable=SC2086
        $sudo env DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends $missing
    fi
elif ! command -v gdal-config >/dev/null 2>&1; then
    echo "GDAL is missing: install version 3.4 or later with its headers and programs (for example 'brew install gdal'" >&2
    echo "or 'conda install -c conda-forge libgdal gdal'), and pkg-config; for the tests also Python 3.11, Chromium, Slurm (slurm-wlm, munge), R and its packages stars and spatstat.data." >&2
    exit 1
fi
