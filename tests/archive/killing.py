"""Writers that are killed again and again while they append, and what is left of what they had acknowledged."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from pathlib import Path

from probekit.archive import verify
from probekit.archive.store import Archive

HERE = Path(__file__).parent


def kill_writers(folder: Path, *, kills: int, seed: int, check: bool = True) -> dict[str, int]:
    """Start a writer, kill it (SIGKILL, or its like on Windows) at a random moment, check the archive; again and again.

    Half of the kills come within milliseconds of an acknowledgement, where the next part is being written.
    """
    rng = random.Random(seed)
    archive, acknowledged, faults, given_up = Archive(folder), set(), 0, 0
    for k in range(kills):
        command = [sys.executable, str(HERE / "writer.py"), str(folder), f"K{k}-", "100000"]
        with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
            after = rng.randrange(1, 4)
            lines = 0
            for line in process.stdout:
                acknowledged.add(f"K{k}-{line.decode().strip()}")
                lines += 1
                if lines == after:
                    time.sleep(rng.uniform(0.0, 0.03))
                    process.kill()
            # what was printed before the kill came is acknowledged, too
        if check or k == kills - 1:
            found = verify(archive)
            faults += len(found.table)
            given_up = len(found.notes)
    parts = {archive.body(n)["key"] for n in range(1, len(archive) + 1)}
    return {
        "kills": kills,
        "acknowledged": len(acknowledged),
        "parts": len(parts),
        "lost": len(acknowledged - parts),
        "faults": faults,
        "ended while writing": given_up,
    }
