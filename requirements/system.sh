#!/bin/sh
# Installs what requirements/debian.txt lists and is not there yet: PostgreSQL and a browser for
# the tests. Says what to do where it can't, and stops no one: tests that lack something are skipped.
set -eu
list=$(dirname "$0")/debian.txt

if ! command -v dpkg-query >/dev/null 2>&1; then
    echo "Not Debian: install PostgreSQL and Chromium yourself, or their tests are skipped." >&2
    exit 0
fi

missing=
for package in $(sed 's/#.*//' "$list"); do
    status=$(dpkg-query -W -f='${db:Status-Status}' "$package" 2>/dev/null || true)
    [ "$status" = installed ] || missing="$missing $package"
done
[ -n "$missing" ] || exit 0

if [ "$(id -u)" -ne 0 ] || ! command -v apt-get >/dev/null 2>&1; then
    echo "Not installed, so their tests are skipped:$missing" >&2
    echo "As root: sh requirements/system.sh" >&2
    exit 0
fi

echo "Installing for the tests:$missing"
export DEBIAN_FRONTEND=noninteractive
log=$(mktemp)
trap 'rm -f "$log"' EXIT
# shellcheck disable=SC2086
if ! { apt-get update && apt-get install --yes --no-install-recommends $missing; } >"$log" 2>&1; then
    tail -n 5 "$log" >&2
    echo "Could not install:$missing. Tests that need them are skipped." >&2
fi
