"""The commands of those who answer a page together: settle, sign."""

from __future__ import annotations

import argparse
import base64
import binascii
import json
import os
from pathlib import Path
from typing import Any

from .console import say
from .errors import InputError
from .files import refuse_overwriting, store

__all__ = ["add_commands"]

_LONGEST_FILE = 300_000_000  # bytes: a page that was saved with answers


def add_commands(commands: Any) -> None:
    """Add them to the sub-commands of the command line's parser."""
    raw = argparse.RawDescriptionHelpFormatter
    settle = commands.add_parser(
        "settle",
        help="put the answers of several people into the page that they answered",
        description="Check that every answer is for this page, put them together, and write the page with them and the "
        "decision in its headline. Answers that contradict each other stand side by side: nothing is decided for you. "
        "If one answer is damaged, for another page, or its signature is invalid, it is named and nothing is written.",
        epilog="A decision on the page does not move the machine: a person qualified for it acts.\n\n"
        "exit status: 0 one disposition, 1 a contradiction or no disposition, 2 unusable input",
        formatter_class=raw,
    )
    settle.add_argument("page", type=Path, help="the page as probekit wrote it, such as results/report.html")
    settle.add_argument("answers", type=Path, nargs="*", help="answers that were saved: small files, texts, or pages")
    settle.add_argument(
        "--to", type=Path, metavar="FILE", help="page to write (default: report_settled.html beside it)"
    )
    settle.add_argument(
        "--keys",
        type=Path,
        metavar="FILE",
        help="public keys that you know: on each line the key, a blank, whose it is",
    )
    settle.set_defaults(run=_settle)
    sign = commands.add_parser(
        "sign",
        help="sign a saved answer (extra: sign)",
        description="Sign an answer that was saved from a page, with an Ed25519 key. Writes answer_signed.json beside "
        "it, and prints the public key: give that to whoever settles, by another way than the answer.",
    )
    sign.add_argument("answer", type=Path, help="the answer that was saved")
    sign.add_argument("--key", type=Path, required=True, metavar="FILE", help="your private key (PEM); keep it to you")
    sign.add_argument("--new", action="store_true", help="make that key first")
    sign.set_defaults(run=_sign)


def _settle(options: argparse.Namespace) -> int:
    from . import settle

    page = settle.read_page(options.page)
    if not page.intact:
        raise InputError(
            "the text of this page is not as probekit wrote it: it was changed, or a browser saved it",
            file=options.page,
            todo="Settle on the page from the results folder; a page that a browser saved can be given as an answer.",
        )
    answers = [one for path in options.answers for one in settle.read_answers(_content(path), source=str(path))]
    settled = settle.merge(page, answers, keys={} if options.keys is None else _keys(options.keys))
    to = options.to or options.page.with_name(f"{options.page.stem}_settled.html")
    data = to.with_suffix(".json")
    inputs = {"the page": options.page} | {f"answer {k + 1}": path for k, path in enumerate(options.answers)}
    refuse_overwriting([to, data], inputs)
    store(to, settle.render(page, settled).encode("utf-8"))
    content = settled.data | {"page": page.hash, "edition": page.edition, "subject": dict(page.subject)}
    store(data, (json.dumps(content, indent=1, ensure_ascii=False) + "\n").encode("utf-8"))
    say("\n".join([settled.sentence, *(f"  {line}" for line in (*settled.warnings, *settled.notes))]))
    say(f"written: {to}, {data}")
    return 0 if settled.decision not in ("open", "contradiction") else 1


def _sign(options: argparse.Namespace) -> int:
    from . import settle

    found = settle.read_answers(_content(options.answer), source=str(options.answer))
    if len(found) != 1:
        raise InputError("one answer is signed at a time", file=options.answer, found=f"{len(found)} answers")
    if options.new:
        _store_key(options.key, settle.new_key())
    signed = settle.sign(found[0], _content(options.key))
    to = options.answer.with_name(f"{options.answer.stem}_signed.json")
    store(to, (json.dumps(signed.data, indent=1, ensure_ascii=False) + "\n").encode("utf-8"))
    say(f"written: {to}; public key: {signed.key}")
    return 0


def _content(path: Path) -> bytes:
    try:
        with path.open("rb") as stream:
            data = stream.read(_LONGEST_FILE + 1)
    except (OSError, ValueError) as error:
        raise InputError(f"the file cannot be read ({getattr(error, 'strerror', None) or error})", file=path) from None
    if len(data) > _LONGEST_FILE:
        raise InputError("the file is too long", file=path, expected=f"at most {_LONGEST_FILE} bytes")
    return data


def _store_key(path: Path, pem: bytes) -> None:
    """Write a private key, readable by its owner alone where the system knows of that, and never over another."""
    try:
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as stream:
            stream.write(pem)
    except OSError as error:
        raise InputError(f"the key cannot be written ({error.strerror})", file=path) from None


def _keys(path: Path) -> dict[str, str]:
    """Public keys from a file: on each line the key in base64, a blank, and whose it is."""
    known: dict[str, str] = {}
    try:
        lines = _content(path).decode("utf-8-sig").splitlines()
    except UnicodeDecodeError:
        raise InputError("the file is not UTF-8 text", file=path) from None
    for number, line in enumerate(lines, 1):
        key, _, owner = line.strip().partition(" ")
        if not key or key.startswith("#"):
            continue
        try:
            good = len(base64.b64decode(key, validate=True)) == 32 and owner.strip() != ""
        except (binascii.Error, ValueError):
            good = False
        if not good or key in known:
            raise InputError(
                "not a public key with its owner, or a key that stands there twice",
                file=path,
                line=number,
                found=line,
                expected="44 characters of base64, a blank, a name",
            )
        known[key] = owner.strip()
    return known
