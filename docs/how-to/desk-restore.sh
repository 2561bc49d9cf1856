#!/bin/sh
# Restores a desk into a new folder and proves it: sh desk-restore.sh ARCHIVE NEW-DATA
set -eu
archive=$1
data=$2
if [ -e "$data" ]; then
    echo "$data is there already; name a new folder." >&2
    exit 1
fi
umask 077
mkdir -p "$data"
tar --extract --file "$archive" --directory "$data" --no-same-owner
"${PYTHON:-python3}" - "$data" <<'END'
import hashlib
import sys
from pathlib import Path

data = Path(sys.argv[1])
faults, blobs = [], set()
for path in sorted((data / "blobs").glob("??/*")):
    with path.open("rb") as stream:
        if hashlib.file_digest(stream, "sha256").hexdigest() != path.name:
            faults.append(f"{path}: its bytes are not those it is named by")
    blobs.add(path.name)
entries = jobs = 0
if (data / "asfound.sqlite").is_file():
    from asfound.store import open_store, read_key

    store = open_store(data / "asfound.sqlite", signing_key=read_key(data / "keys" / "release.pem"))
    for job in store.list_jobs():
        check = store.verify(job.id)
        faults += [f"{job.id}, entry {one.sequence}: {one.what}" for one in check.faults]
        jobs, entries = jobs + 1, entries + check.head.size
        for entry in store.entries(job.id, actions=("upload-added", "batch-sealed")):
            named = [entry.payload, entry.payload.get("track") or {}]
            for one in named:
                if one.get("sha256") and one["sha256"] not in blobs:
                    faults.append(f"{job.id}, entry {entry.sequence}: {one['name']} is missing")
    store.close()
for fault in faults:
    print(fault, file=sys.stderr)
if faults:
    sys.exit("The backup does not hold.")
print(f"Restored and proved: {len(blobs)} raw files, {jobs} jobs, {entries} ledger entries.")
END
