"""The commands of those who answer a page together: settle, sign, share."""

from __future__ import annotations

import argparse
import base64
import binascii
import json
import os
import sys
from pathlib import Path
from typing import Any

from .console import say
from .errors import InputError
from .files import make_folder, refuse_overwriting, store

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
    _add_share(commands)


def _add_share(commands: Any) -> None:
    share = commands.add_parser(
        "share",
        help="share the pages of a folder on the shop's network, and let people answer them (extra: share)",
        description="Serve the report pages of a folder, to be read and answered by link. Without a further option it "
        "serves until it is interrupted; with one of --reader, --invite, --links, --revoke, --check or --answers it "
        "does only that, also while it serves elsewhere. Answers, links and what was revoked are in "
        "FOLDER/answers.sqlite, which is only ever added to.",
        epilog="Serves this machine alone (127.0.0.1) unless --host says otherwise. Beyond a network that you trust,\n"
        "put a reverse proxy with TLS before it and name its address with --url https://...\n\n"
        "Whoever has a link can use it: send it to one person only. A decision on the page does not move the\n"
        "machine.\n\n"
        "exit status: 0 done, 1 the log was changed (--check), 2 unusable input",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    share.add_argument("folder", type=Path, help="the folder with the pages, such as results")
    share.add_argument(
        "--host", default="127.0.0.1", help="address to serve at (default: 127.0.0.1, this machine alone)"
    )
    share.add_argument("--port", type=int, default=8765, help="port (default: 8765)")
    share.add_argument("--url", default="", help="how the pages are reached through a reverse proxy")
    do = share.add_mutually_exclusive_group()
    do.add_argument("--reader", metavar="NAME", help="make a link for reading, for NAME")
    do.add_argument("--invite", metavar="NAME", help="make a link by which NAME answers")
    do.add_argument("--links", action="store_true", help="list the links, without their secrets")
    do.add_argument("--revoke", metavar="ID", help="let a link end now")
    do.add_argument("--check", action="store_true", help="check that nothing in the log was changed")
    do.add_argument(
        "--answers", type=Path, metavar="TO", help="write the answers as files into TO, for probekit settle"
    )
    share.add_argument("--role", default="", help="with --invite, --reader: role or firm, shown beside the name")
    share.add_argument(
        "--days", type=float, default=14, help="with --invite, --reader: how long it holds (default: 14)"
    )
    share.add_argument(
        "--page",
        action="append",
        default=[],
        metavar="FILE",
        help="with --invite, --reader: show this page only; again",
    )
    share.add_argument(
        "--receipt",
        action="append",
        default=[],
        metavar="NUMBER:HASH",
        help="with --check: what someone was shown; again",
    )
    share.set_defaults(run=_share)


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
    refuse_overwriting([to, data], inputs | ({} if options.keys is None else {"--keys": options.keys}))
    store(to, settle.render(page, settled).encode("utf-8"))
    content = settled.data | {"page": page.hash, "edition": page.edition, "subject": dict(page.subject)}
    store(data, (json.dumps(content, indent=1, ensure_ascii=False) + "\n").encode("utf-8"))
    say("\n".join([settled.sentence, *(f"  {line}" for line in (*settled.warnings, *settled.notes))]))
    say(f"written: {to}, {data}")
    return 0 if settled.decision not in ("open", "contradiction") else 1


def _sign(options: argparse.Namespace) -> int:
    from . import settle

    to = options.answer.with_name(f"{options.answer.stem}_signed.json")
    refuse_overwriting([to], {"the answer": options.answer, "--key": options.key})
    found = settle.read_answers(_content(options.answer), source=str(options.answer))
    if len(found) != 1:
        raise InputError("one answer is signed at a time", file=options.answer, found=f"{len(found)} answers")
    if options.new:
        _store_key(options.key, settle.new_key())
    signed = settle.sign(found[0], _content(options.key))
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


def _share(options: argparse.Namespace) -> int:
    from . import share

    path = options.folder / share.log.LOG_NAME
    if options.check:
        return _check_log(path, options.receipt)
    pages, left_out = share.pages.pages_of(options.folder)
    state = share.links.State()
    try:
        log = share.log.Log(path, state.hear)
    except (share.log.TamperedError, share.log.BusyError) as error:
        raise InputError(
            str(error), todo="Run it with --check, and look at a copy of the file before you go on."
        ) from None
    base = share.server.address(options.host, options.port, options.url)
    if options.reader is not None or options.invite is not None:
        say(_new_link(options, log, base, [one.name for one in pages.values()]))
    elif options.links:
        say("\n".join(link.sentence for link in state.links.values()) or "There is no link yet.")
    elif options.revoke is not None:
        if options.revoke not in {link.id for link in state.links.values()}:
            raise InputError("there is no such link", column="revoke", found=options.revoke, todo="List them: --links.")
        log.append("revoked", {"id": options.revoke})
        say(f"link {options.revoke} is revoked; who has its pages open loses them within seconds")
    elif options.answers is not None:
        say(_write_answers(options.answers, [one for each in state.answers.values() for one in each]))
    else:
        return _serve(options, pages, left_out, state, log, base)
    log.close()
    return 0


def _serve(options: argparse.Namespace, pages: Any, left_out: list[str], state: Any, log: Any, base: str) -> int:
    from . import share

    listener = share.server.listening(options.host, options.port)
    base = share.server.address(options.host, listener.getsockname()[1], options.url)
    say(
        "\n".join([*(f"shared: {one.sentence}" for one in pages.values()), *(f"not shared: {one}" for one in left_out)])
    )
    if any(link.valid for link in state.links.values()):
        say("The links that were made hold on; more with --reader NAME and --invite NAME, list them with --links.")
    else:
        options.reader, options.invite = "reader", None
        say(_new_link(options, log, base, []))
        say(
            "Invite whoever is to answer, in another window: "
            + f"probekit share {options.folder} --invite NAME --role ROLE"
        )
    log.close()
    say(f"Serving at {base}/ until it is interrupted (Ctrl+C). A decision on a page does not move the machine.")
    sys.stdout.flush()
    share.serve(pages, options.folder / share.log.LOG_NAME, listener, url=options.url)
    say("No longer shared.")
    return 0


def _new_link(options: argparse.Namespace, log: Any, base: str, names: list[str]) -> str:
    from . import share

    if unknown := sorted(set(options.page) - set(names)):
        raise InputError("no page of this folder", column="page", found=unknown[0], expected=", ".join(names))
    answers = options.invite is not None
    name = options.invite if answers else options.reader
    token, body = share.new_link(name, options.role, answers=answers, days=options.days, only=options.page)
    log.append("link", body)
    what = f"for {name} to answer" if answers else "for reading"
    return f"{what}, until {body['expires'][:10]}; this is shown once:\n  {base}/#k={token}"


def _check_log(path: Path, receipts: list[str]) -> int:
    from . import share

    wanted = {}
    for one in receipts:
        number, _, start = one.partition(":")
        if not number.isdecimal() or len(start) < 8:
            raise InputError("not a receipt", column="receipt", found=one, expected="such as 7:1a2b3c4d")
        wanted[int(number)] = start.lower()
    try:
        last = share.verify(path, wanted)
    except share.log.TamperedError as error:
        say(f"The log was changed: {error}")
        return 1
    except share.log.BusyError as error:
        raise InputError(str(error), todo="Try again.") from None
    if last is None:
        say(f"{path}: no entry yet")
        return 0
    say(f"{path}: {last.number} entries, each follows from the one before; the last is {last.number}:{last.hash[:16]}")
    say("Only a receipt (--receipt) tells that nothing is gone at the end and that the whole was not written anew.")
    return 0


def _write_answers(to: Path, answers: list[Any]) -> str:
    folder = make_folder(to)
    for number, answer in answers:
        text = json.dumps(answer.data, indent=1, ensure_ascii=False) + "\n"
        store(folder / f"answer_{answer.page[:8]}_{number}.json", text.encode("utf-8"))
    return f"written: {len(answers)} answers into {folder}"
