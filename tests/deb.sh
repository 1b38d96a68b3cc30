#!/bin/sh
# Installs the package into a fresh Debian 12 in a folder, and writes and runs the small demo there.
set -eu
package=$(realpath "$1")
. "$(dirname "$0")/fresh.sh"
cp "$package" "$folder/root/lentic.deb"
inside apt-get install -y -q --no-install-recommends /root/lentic.deb >/dev/null
works
test -s "$folder/usr/share/bash-completion/completions/lentic"
inside apt-get remove -y -q lentic >/dev/null
test ! -e "$folder/usr/bin/lentic"
echo "the package was installed, ran the small demo, and was removed"
