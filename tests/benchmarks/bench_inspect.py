"""Time and memory of ``probekit inspect`` on the demo, the whole process, and of importing probekit.

    python tests/benchmarks/bench_inspect.py [--quick]

Prints one line per number. Memory is the largest resident set of the child processes, from the operating system.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

DEMO = Path(__file__).parents[2] / "data" / "foil"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="once instead of five times")
    repeats = 1 if parser.parse_args().quick else 5
    bare = least(repeats, [sys.executable, "-c", "pass"])
    print(f"bare Python                          {bare:6.2f} s")
    light = least(repeats, [sys.executable, "-c", "import probekit"]) - bare
    print(f"import probekit, beyond that         {light:6.3f} s")
    for study in sorted(DEMO.glob("study*.toml")):
        with tempfile.TemporaryDirectory() as folder:
            command = [sys.executable, "-m", "probekit.cli", "inspect", str(study), "--to", folder, "--quiet"]
            took = least(repeats, command, expected=1)
            size = (Path(folder) / "report.html").stat().st_size
        print(f"inspect {study.name:<28} {took:6.2f} s   {took / bare:6.1f} x bare Python   page {size / 1e6:.2f} MB")
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(f"largest resident memory of these     {peak:6.0f} MiB")


def least(repeats: int, command: list[str], *, expected: int = 0) -> float:
    """Least time of some runs of a command [s]."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        times.append(time.perf_counter() - start)
        if done.returncode != expected:
            raise SystemExit(f"{' '.join(command)} ended with {done.returncode}: {done.stderr}")
    return min(times)


if __name__ == "__main__":
    main()
