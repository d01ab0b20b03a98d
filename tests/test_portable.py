"""The code runs on Windows and macOS as far as reading it can tell: no call, path or name that only one system has.

Neither system is at hand here. What reading cannot tell is tried by imitation elsewhere: a file that a viewer holds
open (`test_published.py`), consoles that cannot show a letter (`test_console.py`), names of devices (`file_name`).
"""

from __future__ import annotations

import ast
import re
import subprocess
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

import probekit as pk
from probekit.files import _DEVICES, file_name

ROOT = Path(pk.__file__).parent
MODULE_FILES = {
    path.relative_to(ROOT).as_posix(): path for path in sorted(ROOT.rglob("*.py")) if "assets" not in path.parts
}

#: Modules that one system lacks, or that run what they read or depend on where they run; and where each is allowed.
MODULES = {
    **dict.fromkeys("fcntl pwd grp termios tty pty syslog posix msvcrt winreg winsound _winapi nt".split(), ()),
    **dict.fromkeys("marshal shelve locale getpass".split(), ()),
    "resource": ("nominal/apart_jobs.py",),  # limits of a process; imported in a `try`
    "pickle": ("figures/drawing.py",),  # copies a figure in memory; nothing is read
}
#: Calls that one system lacks or that mean another thing there.
CALLS = {
    **dict.fromkeys(
        "fork forkpty kill killpg setsid getuid geteuid getgid getppid nice mkfifo mknod chown".split(), ()
    ),
    **dict.fromkeys("chmod umask symlink symlink_to hardlink_to readlink uname getloadavg wait4 waitpid".split(), ()),
    **dict.fromkeys("eval exec compile __import__ system popen startfile NamedTemporaryFile mktemp".split(), ()),
    "sysconf": ("nominal/apart.py", "nominal/apart_jobs.py"),  # where /proc is
    "kill": ("nominal/apart.py",),  # of the process that it started
    "compile": tuple(MODULE_FILES),  # of patterns: the builtin is looked for below
}
SIGNALS = {"SIGINT", "SIGTERM", "SIG_DFL", "SIG_IGN"}  # Windows has these
STRFTIME = re.compile(r"(%[YmdHMS%]|[^%])*")  # codes that mean the same everywhere, without the language of the place
SYSTEM_PATH = re.compile(r"/(tmp|dev|proc|etc|usr|home|var|bin)\b|[A-Za-z]:\\")


@cache
def trees() -> dict[str, ast.Module]:
    """Module to its tree."""
    return {module: ast.parse(path.read_text(encoding="utf-8")) for module, path in MODULE_FILES.items()}


def calls() -> Iterator[tuple[str, ast.Call, str, str]]:
    """Module, call, name, and name before the dot."""
    for module, tree in trees().items():
        for node in ast.walk(tree):
            if isinstance(node, ast.Call):
                of = node.func
                if isinstance(of, ast.Attribute):
                    yield module, node, of.attr, of.value.id if isinstance(of.value, ast.Name) else ""
                elif isinstance(of, ast.Name):
                    yield module, node, of.id, ""


def test_no_module_that_only_one_system_has() -> None:
    found = [
        (module, name)
        for module, tree in trees().items()
        for node in ast.walk(tree)
        if isinstance(node, ast.Import | ast.ImportFrom)
        for name in [one.name for one in node.names] + [getattr(node, "module", None) or ""]
        if module not in MODULES.get(name.split(".")[0], (module,)) and not getattr(node, "level", 0)
    ]
    assert found == []


def test_no_call_that_only_one_system_has_and_nothing_is_evaluated() -> None:
    found = [
        (module, node.lineno, name) for module, node, name, _ in calls() if module not in CALLS.get(name, (module,))
    ]
    built_in = [(m, n.lineno, name) for m, n, name, _ in calls() if name == "compile" and isinstance(n.func, ast.Name)]
    assert found + built_in == []


def test_files_are_replaced_and_never_renamed() -> None:
    """`os.rename` fails on Windows where the target exists."""
    found = [(m, n.lineno) for m, n, name, base in calls() if name in ("rename", "renames") and base in ("os", "path")]
    assert found == []


def test_text_is_opened_with_its_encoding() -> None:
    """Without it, Windows takes the code page of the place."""
    found = []
    for module, node, name, base in calls():
        given = {keyword.arg for keyword in node.keywords}
        literal = [one.value for one in node.args if isinstance(one, ast.Constant) and isinstance(one.value, str)]
        if name in ("read_text", "write_text") and "encoding" not in given and "utf-8" not in literal:
            found += [(module, node.lineno)] if isinstance(node.func, ast.Attribute) and base != "touches" else []
        elif name in ("open", "fdopen") and base != "os" and "encoding" not in given:
            found += [] if any("b" in mode for mode in literal) or name == "_open" else [(module, node.lineno)]
        elif base == "subprocess" and {"text", "universal_newlines"} & given and "encoding" not in given:
            found += [(module, node.lineno)]
        elif base == "subprocess" and "shell" in given:
            found += [(module, node.lineno)]
    assert found == []


def test_times_are_written_in_codes_that_every_system_has() -> None:
    formats = [
        (module, one.value)
        for module, node, name, _ in calls()
        if name == "strftime"
        for one in node.args
        if isinstance(one, ast.Constant)
    ]
    assert len(formats) >= 5
    assert [one for one in formats if not STRFTIME.fullmatch(one[1])] == []


def test_signals_are_those_of_every_system() -> None:
    used = {
        node.attr
        for tree in trees().values()
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute) and node.attr.startswith("SIG") and getattr(node.value, "id", "") == "signal"
    }
    assert used <= SIGNALS


def test_no_path_of_one_system_stands_in_the_code() -> None:
    found = {
        module: node.value
        for module, tree in trees().items()
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and SYSTEM_PATH.match(node.value)
    }
    assert set(found) <= {"nominal/apart.py", "nominal/apart_jobs.py"}  # asked whether it is there


def test_every_file_can_lie_on_every_system() -> None:
    """No device name of Windows, no letter that it forbids, no two names that differ in case alone."""
    repository = ROOT.parent
    listed = subprocess.run(
        ["git", "-C", str(repository), "ls-files", "-z"], capture_output=True, encoding="utf-8", check=False
    ).stdout.split("\0")[:-1]
    if not listed:
        pytest.skip("no clone: the list of files comes from git")
    odd = re.compile(r'.*[<>:"\\|?*].*|.*[. ]')
    assert [p for p in listed for part in Path(p).parts if _DEVICES.fullmatch(part) or odd.fullmatch(part)] == []
    assert len({p.casefold() for p in listed}) == len(listed)
    assert max(map(len, listed)) < 120  # 260 with the folder of a user before it


@pytest.mark.parametrize("name", ["CON", "nul.txt", "com1", "LPT9.nc", "aux"])
def test_a_part_named_as_a_device_is_refused(name: str) -> None:
    with pytest.raises(pk.InputError, match="device name on Windows"):
        file_name(name)


@pytest.mark.parametrize("name", ["C:\\parts\\wing", "a/b", "x:y", 'q"?*<>|', "Flügel 1", "..\\up"])
def test_a_name_becomes_one_file_that_every_system_takes(name: str) -> None:
    if name.startswith(".."):
        with pytest.raises(pk.InputError, match="no dot at its beginning"):
            file_name(name, ".nc")
    else:
        assert not re.search(r'[<>:"/\\|?*\s]', file_name(name, ".nc"))
