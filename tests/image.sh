#!/bin/sh
# Tries the last stage of the Dockerfile without an engine for containers: its packages and files in a fresh Debian 12 in a folder, the
# program being the one built here, and in it the small demo.
set -eu
root=$(realpath "$(dirname "$0")/..")
. "$root/tests/fresh.sh"
last=$(awk '/^FROM/ { text = "" } { text = text $0 "\n" } END { printf "%s", text }' "$root/Dockerfile")
packages=$(printf '%s' "$last" | sed -n 's/.*apt-get install -y --no-install-recommends \([^\\]*\).*/\1/p')
[ -n "$packages" ] || { echo "the Dockerfile names no packages in its last stage" >&2; exit 1; }
inside apt-get install -y -q --no-install-recommends $packages >/dev/null
printf '%s' "$last" | sed -n 's#^COPY --from=build /source/\([^ ]*\) \([^ ]*\)$#\1 \2#p' | while read -r from to; do
    mkdir -p "$folder$(dirname "$to")"
    cp -r "$root/$from" "$folder$to"
done
[ -x "$folder/usr/local/bin/lentic" ] || { echo "the Dockerfile copies no program" >&2; exit 1; }
works
test -s "$folder/usr/local/share/lentic/configs/study.schema.json"
echo "what the image holds ran the small demo"
