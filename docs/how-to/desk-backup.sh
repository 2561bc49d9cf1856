#!/bin/sh
# Backs a desk up while it runs: sh desk-backup.sh DATA ARCHIVE [POSTGRESQL-ADDRESS]
set -eu
data=$1
archive=$2
database=${3:-}
umask 077
stage=$(mktemp -d)
trap 'rm -rf "$stage"' EXIT
# The database first: every file that it names was on disk before it.
if [ -n "$database" ]; then
    pg_dump --no-owner --file "$stage/database.sql" "$database"
else
    "${PYTHON:-python3}" - "$data/asfound.sqlite" "$stage/asfound.sqlite" <<'END'
import sqlite3
import sys

source, copy = sqlite3.connect(sys.argv[1]), sqlite3.connect(sys.argv[2])
with copy:
    source.backup(copy)  # one consistent state, even while others write
copy.execute("PRAGMA journal_mode = DELETE")
copy.close()
source.close()
END
fi
set -- blobs keys
for folder in releases grids; do
    if [ -d "$data/$folder" ]; then set -- "$@" "$folder"; fi
done
# Files that are being written have names with a dot in front; they are not part of it yet.
tar --create --file "$archive.part" --exclude '.part-*' \
    --directory "$stage" . --directory "$data" "$@"
mv "$archive.part" "$archive"
echo "Backed up to $archive"
