"""Fuzz a reader by hand: ``python tests/fuzz/fuzz_readers.py step --seconds 600 --seed 1 --keep FOLDER``.

Each file is read in a fork of its own (so on POSIX alone), with limits of time and memory; what crashes, does not end
or raises anything but an error of probekit is kept, and counted by what came of it. ``all`` goes through every reader.
"""

from __future__ import annotations

import argparse
import os
import random
import resource
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parent))

from readers import READERS, Reader, mutated, outcome


def tried(reader: Reader, path: Path, seconds: int, megabytes: int) -> str:
    """What came of one file, read in a fork."""
    reading, writing = os.pipe()
    child = os.fork()
    if not child:
        signal.alarm(seconds)
        resource.setrlimit(resource.RLIMIT_AS, (megabytes * 1_000_000,) * 2)
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        for stream in (1, 2):
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream)
        os.write(writing, outcome(reader, path).encode("utf-8", "replace")[:500])
        os._exit(0)
    os.close(writing)
    said = b""
    while piece := os.read(reading, 500):
        said += piece
    os.close(reading)
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    return (
        said.decode() if status == 0 and said else f"ended by {signal.Signals(-status).name if status < 0 else status}"
    )


def fuzz(name: str, options: argparse.Namespace) -> Counter[str]:
    """Mutations of one reader's sound file until the time is over."""
    reader, found, sound = READERS[name], Counter[str](), READERS[name].sound()
    draw, end = random.Random(options.seed), time.monotonic() + options.seconds
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"fuzzed{reader.suffix}"
        path.write_bytes(sound)
        if name == "step":  # imported only: threads that the kernel starts would not live on in a fork
            import OCP.BRepMesh
            import OCP.STEPCAFControl  # noqa: F401
        else:
            outcome(reader, path)  # imports what is needed
        if (came := tried(reader, path, 60, options.megabytes)) != "read":
            raise RuntimeError(f"the sound file of {name}: {came}")
        while time.monotonic() < end:
            data = mutated(sound, draw)
            path.write_bytes(data)
            came = tried(reader, path, options.limit, options.megabytes)
            if came not in ("read", "refused") and not found[came] and options.keep:
                options.keep.mkdir(parents=True, exist_ok=True)
                (options.keep / f"{name}_{options.seed}_{found.total()}{reader.suffix}").write_bytes(data)
            found[came] += 1
    return found


def main() -> None:
    """Parse, fuzz, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("readers", nargs="+", choices=[*READERS, "all"])
    parser.add_argument("--seconds", type=float, default=600.0, help="for each reader")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--limit", type=int, default=20, help="seconds for one file")
    parser.add_argument("--megabytes", type=int, default=3000, help="address space for one file")
    parser.add_argument("--keep", type=Path, help="folder for files that a reader did not survive")
    options = parser.parse_args()
    for name in READERS if "all" in options.readers else options.readers:
        found = fuzz(name, options)
        print(
            f"{name}: {found.total()} files: " + "; ".join(f"{n} {what}" for what, n in found.most_common()), flush=True
        )


if __name__ == "__main__":
    main()
