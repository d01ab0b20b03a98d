"""The command: what it prints, and what it refuses."""

from __future__ import annotations

import re
import subprocess
import sys

import pytest

from probekit import cli
from probekit.share.links import State
from probekit.share.log import Log


def run(capsys, *arguments) -> tuple[int, str]:
    status = cli.main(["share", *(str(one) for one in arguments)])
    told = capsys.readouterr()
    return status, told.out + told.err


def test_links_are_made_listed_and_revoked(folder, capsys):
    status, said = run(capsys, folder, "--invite", "A. Novak", "--role", "quality", "--days", "3", "--page", "one.html")
    assert status == 0
    (token,) = re.findall(r"http://127\.0\.0\.1:8765/#k=([\w-]{32})\b", said)
    assert (
        run(capsys, folder, "--reader", "customer", "--url", "https://pages.shop.example")[1].count("https://pages")
        == 1
    )
    status, said = run(capsys, folder, "--links")
    assert "to answer, A. Novak, quality, only one.html: until " in said
    assert "to read, customer: until " in said
    assert token not in said
    state = State()
    Log(folder / "answers.sqlite", state.hear).close()
    assert state.link(token).role == "quality"
    name = said.split()[0]
    assert run(capsys, folder, "--revoke", name)[0] == 0
    assert "revoked" in run(capsys, folder, "--links")[1]
    Log(folder / "answers.sqlite", state.hear).close()
    assert state.link(token) is None
    status, said = run(capsys, folder, "--check")
    assert status == 0
    assert "3 entries, each follows from the one before" in said


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--revoke", "12345678"], "no such link"),
        (["--invite", " "], "not usable on a page"),
        (["--invite", "A", "--days", "0"], "holds for some days"),
        (["--reader", "A", "--page", "three.html"], "no page of this folder; found 'three.html'; expected one.html"),
        (["--port", "70000"], "no such port"),
        (["--url", "pages.shop"], "not an address"),
        (["--host", "no.such.host.invalid"], "nothing can be served"),
        (["--check"], "there is no log"),
    ],
)
def test_what_cannot_be_is_refused(folder, capsys, arguments, told):
    status, said = run(capsys, folder, *arguments)
    assert status == 2
    assert told in said


def test_a_log_that_was_changed_is_not_used(folder, capsys):
    (folder / "answers.sqlite").write_bytes(b"nothing of ours" * 300)
    for arguments in (["--links"], []):
        status, said = run(capsys, folder, *arguments)
        assert status == 2
        assert "Run it with --check" in said


def test_without_the_extra_it_says_how_to_install(folder):
    code = "import sys; sys.modules['starlette'] = None; from probekit.cli import main; "
    code += f"sys.exit(main(['share', {str(folder)!r}]))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "sharing pages needs starlette" in done.stderr
    assert 'pip install ".[share]"' in done.stderr
