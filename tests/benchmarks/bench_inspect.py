"""Time and memory of ``probekit inspect`` on the demo, the whole process, and of importing probekit.

    python tests/benchmarks/bench_inspect.py [--quick]

Prints one line per number. The first run reads the STEP file through the CAD kernel and keeps the exact model, the
second finds it in the cache. Times are of the processor, user and system, of the least of several runs; memory is the
largest resident set of the child, both from the operating system. Compiled modules of Python are kept, as they are by
an installation.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

DEMO = Path(__file__).parents[2] / "data" / "foil"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="once instead of five times")
    repeats = 1 if parser.parse_args().quick else 5
    with tempfile.TemporaryDirectory() as folder:
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        os.environ["PYTHONPYCACHEPREFIX"] = str(Path(folder) / "compiled")
        bare, _ = least([child([sys.executable, "-c", "pass"]) for _ in range(1 + repeats)][1:])
        print(f"bare Python                          {bare:6.2f} s CPU")
        light, _ = least([child([sys.executable, "-c", "import probekit"]) for _ in range(1 + repeats)][1:])
        print(f"import probekit, beyond that         {light - bare:6.3f} s CPU")
        for study in sorted(DEMO.glob("study*.toml")):
            out = Path(folder) / study.stem
            command = [sys.executable, "-m", "probekit.cli", "inspect", str(study), "--to", str(out), "--quiet"]
            runs = []
            for k in range(1 + repeats):  # the first only fills the folder of compiled modules
                os.environ["PROBEKIT_CACHE"] = str(Path(folder) / f"cache_{study.stem}_{k}")
                runs.append((child(command, expected=1), child(command, expected=1)))
            size = (out / "report.html").stat().st_size
            for which, found in zip(("first run", "second run"), zip(*runs[1:], strict=True), strict=True):
                took, peak = least(found)
                print(
                    f"inspect {study.name:<16} {which:<11} {took:6.2f} s CPU   {took / bare:6.1f} x bare Python   "
                    f"{peak:5.0f} MB   page {size / 1e6:.2f} MB"
                )


def child(command: list[str], *, expected: int = 0) -> tuple[float, float]:
    """Processor time [s] and largest resident set [MB = 10^6 bytes] of a command."""
    pid = os.posix_spawn(
        command[0], command, os.environ, file_actions=[(os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0)]
    )
    _, status, usage = os.wait4(pid, 0)
    if os.waitstatus_to_exitcode(status) != expected:
        raise SystemExit(f"{' '.join(command)} ended with {os.waitstatus_to_exitcode(status)}")
    unit = 1 if sys.platform == "darwin" else 1024
    return usage.ru_utime + usage.ru_stime, usage.ru_maxrss * unit / 1e6


def least(runs: list[tuple[float, float]] | tuple[tuple[float, float], ...]) -> tuple[float, float]:
    """The least time and the largest memory of some runs."""
    return min(took for took, _ in runs), max(peak for _, peak in runs)


if __name__ == "__main__":
    main()
