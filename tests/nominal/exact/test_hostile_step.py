"""STEP files that are broken, empty, absurd or meant to hurt: a clear error, in bounded time and memory, never a crash.

Every file is loaded in a process of its own, so that a crash of the kernel would be seen as such. These processes are
forked from one that has imported all that loading needs, as most of the time would go there.
"""

from __future__ import annotations

import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

pytest.importorskip("OCP")

import exact_shapes as es

LOAD = """
import resource, sys, warnings
warnings.simplefilter("error")
import probekit as pk
try:
    part = pk.nominal.load(sys.argv[1])
    print("loaded", len(part.face_names), "|".join(part.notes))
except pk.ProbekitError as error:
    print("refused", error)
except pk.ProbekitWarning as warning:
    print("warned", warning)
print("MiB", resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)
"""

HEAD = "ISO-10303-21;\nHEADER;\nFILE_DESCRIPTION((''),'2;1');\nFILE_NAME('x','',(''),(''),'','','');\n"
HEAD += "FILE_SCHEMA(('AUTOMOTIVE_DESIGN'));\nENDSEC;\nDATA;\n"
TAIL = "ENDSEC;\nEND-ISO-10303-21;\n"

MOST_SECONDS, MOST_MIB = 90.0, 1500  # a few seconds on a quiet machine

#: Forks at each line of its input: the path of a model, and where to write output and errors.
SERVE = """
import os, signal, sys, warnings
warnings.simplefilter("error")
import OCP.BRepMesh, OCP.STEPCAFControl  # imported only: the kernel's threads would not live on in a fork
import probekit as pk
from probekit.nominal.exact import engine, extract, step
seconds, code = sys.argv[1:]
for line in sys.stdin:
    path, out, err = line.rstrip("\\n").split("\\t")
    if (child := os.fork()) == 0:
        signal.alarm(int(seconds))  # ends it where it hangs
        for stream, name in ((1, out), (2, err)):
            os.dup2(os.open(name, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), stream)
        sys.argv = [sys.argv[0], path]
        status = 1
        try:
            exec(code)
            status = 0
        except BaseException:
            import traceback
            traceback.print_exc()
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return es.make("plate", tmp_path_factory.mktemp("sound")).path


@pytest.fixture(scope="module")
def load(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[Path], str]]:
    """What loading a file came to; fails on a crash, a traceback, or too much time or memory."""
    out, err = (tmp_path_factory.mktemp("told") / name for name in ("out", "err"))
    command = [sys.executable, "-c", SERVE, str(int(3 * MOST_SECONDS)), LOAD]

    def loaded(path: Path) -> str:
        start = time.perf_counter()
        server.stdin.write(f"{path}\t{out}\t{err}\n")
        server.stdin.flush()
        status = server.stdout.readline().strip()
        took = time.perf_counter() - start
        errors = err.read_text()
        assert status == "0", f"ended with {status}: {errors[-500:]}"
        assert "Traceback" not in errors
        assert took < MOST_SECONDS
        text, memory = out.read_text().strip().rsplit("\n", 1)
        assert int(memory.split()[1]) < MOST_MIB
        return text

    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as server:
        yield loaded


def variant(sound: Path, folder: Path, *changes: tuple[str, str], count: int = 1) -> Path:
    text = sound.read_text()
    for old, new in changes:
        assert re.search(old, text)
        text = re.sub(old, new, text, count=count)
    path = folder / "variant.step"
    path.write_text(text)
    return path


def test_the_sound_file_loads(load: Callable[[Path], str], sound: Path) -> None:
    assert load(sound) == "loaded 9 "


@pytest.mark.parametrize("part", [0.0, 0.001, 0.05, 0.3, 0.7, 0.999])
def test_truncated(load: Callable[[Path], str], sound: Path, tmp_path: Path, part: float) -> None:
    path = tmp_path / "cut.step"
    whole = sound.read_bytes()
    path.write_bytes(whole[: int(part * len(whole))])
    assert re.match(
        r"refused .*cut\.step: (the STEP file is truncated|the model file is empty|this is not a STEP)", load(path)
    )


@pytest.mark.parametrize("part", [0.2, 0.5, 0.8])
def test_truncated_but_ended(load: Callable[[Path], str], sound: Path, tmp_path: Path, part: float) -> None:
    path = tmp_path / "cut.step"
    text = sound.read_text()
    path.write_text(text[: text.rindex(";", 0, int(part * len(text))) + 1] + "\n" + TAIL)
    told = load(path)
    assert told.startswith("refused"), told
    assert "damaged" in told or "no solid" in told


def test_garbage_after_the_header(load: Callable[[Path], str], tmp_path: Path) -> None:
    path = tmp_path / "garbage.step"
    path.write_bytes(HEAD.encode() + bytes(range(1, 256)) * 200 + TAIL.encode())
    assert load(path).startswith("refused")


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "the model file is empty"),
        (b"  \n \n", "the model file is empty"),
        (b"solid x\nendsolid x\n", "this is not a STEP file; found 'solid x"),
        (b"PK\x03\x04" + bytes(5000), "this is not a STEP file"),
        ((HEAD + TAIL).encode(), "the STEP file is empty"),
    ],
)
def test_not_a_model(load: Callable[[Path], str], tmp_path: Path, content: bytes, message: str) -> None:
    path = tmp_path / "other.step"
    path.write_bytes(content)
    assert re.search(message, load(path))


def test_only_wireframe(load: Callable[[Path], str], tmp_path: Path) -> None:
    path = es.write(es.compound(es.parts(es.plate(), es.EDGE)), tmp_path / "wire.step")
    told = load(path)
    assert told.startswith("refused")
    assert "no solid and no shell" in told
    assert "not as curves" in told


def test_a_hundred_thousand_entities_of_nothing(load: Callable[[Path], str], tmp_path: Path) -> None:
    path = tmp_path / "nothing.step"
    points = "".join(f"#{k} = CARTESIAN_POINT('',(0.,0.,{k}.));\n" for k in range(1, 100_001))
    path.write_text(HEAD + points + TAIL)
    assert re.search("refused .*(no solid|nothing that can be transferred)", load(path))


def test_brackets_without_end(load: Callable[[Path], str], tmp_path: Path) -> None:
    path = tmp_path / "deep.step"
    path.write_text(HEAD + "#1 = CARTESIAN_POINT('',(" + "(" * 200_000 + ")" * 200_000 + "));\n" + TAIL)
    assert "brackets nested too deep" in load(path)


def test_records_that_refer_to_themselves(load: Callable[[Path], str], sound: Path, tmp_path: Path) -> None:
    path = variant(sound, tmp_path, (r"(#\d+) = CLOSED_SHELL\('',\(#\d+", r"\1 = CLOSED_SHELL('',(\1"))
    assert load(path).startswith("refused")


def test_references_to_nothing(load: Callable[[Path], str], sound: Path, tmp_path: Path) -> None:
    path = variant(sound, tmp_path, (r"(= ADVANCED_FACE\('',\(#\d+\)),#\d+", r"\1,#99999999"))
    told = load(path)
    assert "damaged" in told or "the file describes" in told


def test_degenerate_faces_are_named_or_refused(load: Callable[[Path], str], sound: Path, tmp_path: Path) -> None:
    path = variant(sound, tmp_path, (r"CARTESIAN_POINT\('',\([^)]*\)\)", "CARTESIAN_POINT('',(0.,0.,0.))"), count=0)
    assert load(path).startswith("refused")


def test_huge_coordinates(load: Callable[[Path], str], tmp_path: Path) -> None:
    path = es.write(es.moved(es.plate(), (0, 0, 1), 0.0, (1e9, 1e9, 0)), tmp_path / "far.step")
    assert re.match("refused|loaded|warned", load(path))
    large = re.sub(
        r"CARTESIAN_POINT\('',\(([^,]*),([^,]*),([^)]*)\)\)",
        r"CARTESIAN_POINT('',(\g<1>E12,\g<2>E12,\g<3>E12))",
        path.read_text().replace("E+", "E"),
    )
    (tmp_path / "huge.step").write_text(re.sub(r"(E\d+)E12", r"\1", large))
    assert re.match("refused|warned", load(tmp_path / "huge.step"))


def test_a_part_of_the_wrong_unit_is_warned_of(load: Callable[[Path], str], tmp_path: Path) -> None:
    box = es.BRepPrimAPI_MakeBox(0.1, 0.1, 0.1).Shape()
    told = load(es.write(box, tmp_path / "tiny.step"))
    assert told.startswith("warned")
    assert "check the unit" in told


@pytest.mark.parametrize("name", ["Fläche", "面", "<script>alert(1)</script>", "a''b"])
def test_odd_names(load: Callable[[Path], str], sound: Path, tmp_path: Path, name: str) -> None:
    path = variant(sound, tmp_path, (r"ADVANCED_FACE\(''", f"ADVANCED_FACE('{name}'"))
    assert load(path).startswith("loaded 9")


def test_a_billion_facets_are_not_believed(load: Callable[[Path], str], tmp_path: Path) -> None:
    stl = tmp_path / "many.stl"
    stl.write_bytes(bytes(80) + (2_000_000_000).to_bytes(4, "little") + bytes(500))
    assert "for the 2000000000 facets it announces" in load(stl)
    ply = tmp_path / "many.ply"
    ply.write_text(
        "ply\nformat binary_little_endian 1.0\nelement vertex 2000000000\nproperty double x\nproperty double y\n"
        "property double z\nelement face 2000000000\nproperty list uchar int vertex_indices\nend_header\nabc"
    )
    assert load(ply).startswith("refused")


def test_without_the_kernel_it_says_what_to_install(sound: Path) -> None:
    code = "import sys; sys.modules['OCP'] = None\n" + LOAD
    done = subprocess.run([sys.executable, "-c", code, str(sound)], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("refused STEP files need the CAD kernel")
    assert 'Run in the folder of the clone of probekit: pip install ".[step]"' in done.stdout


def test_a_mesh_never_loads_the_kernel(tmp_path: Path) -> None:
    import trimesh

    trimesh.creation.box([10, 20, 30]).export(tmp_path / "box.stl")
    code = "import sys, probekit as pk; pk.nominal.load(sys.argv[1], unit='mm'); print('OCP' in sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "box.stl")], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "False"
