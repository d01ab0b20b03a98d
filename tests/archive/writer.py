"""A process that appends parts to an archive, and says after each that it is there."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from archive.made import record

from probekit.archive.store import Archive

if __name__ == "__main__":
    folder, name, parts = sys.argv[1], sys.argv[2], int(sys.argv[3])
    archive = Archive(Path(folder))
    for k in range(1, parts + 1):
        archive.append(record(f"{name}{k}", k))
        sys.stdout.write(f"{k}\n")
        sys.stdout.flush()
