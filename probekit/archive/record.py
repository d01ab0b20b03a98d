"""What the archive keeps of a part: one record as plain data, and the hashes that say what it may be compared with.

hash        of
settings    what the study asks: tolerances, datums, alignment, how deviations are taken, decision, uncertainty
model       the file of the nominal
plan        the targets: number, feature, place and direction of each touch
touches     the results file
measured    the measured positions themselves, whatever file they came in

Settings, model and plan together are a revision: parts of different revisions are never taken together.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from ..columns import MEASURED, NORMAL, TARGET
from ..errors import ProbekitError, in_full
from ..report.tables import plain
from ..show import shown
from ..study.content import content_of
from ..study.model import Study, runnable
from ..uncertainty.causes import PART
from .bulk import digest_of, kinds_of, tidied

if TYPE_CHECKING:
    from ..study.inspection import Inspection

__all__ = ["Record", "answer_record", "record_of", "refused_record", "text_of"]

SCHEMA = 1

#: Tables of a study that say what is asked; the others say how it was touched, or of which part.
_ASKED = ("datum", "alignment", "tolerance", "deviation", "decision", "uncertainty", "budget", "surface", "gate")
_FILES = ("model", "without_kernel", "name")
_HEADER = 4000  # bytes
_NAMED = {
    "part_number": re.compile(r"^#\s*part[ _-]n(?:umber|o)\s*:\s*(\S.*)$", re.IGNORECASE | re.MULTILINE),
    "serial": re.compile(r"^#\s*serial(?:[ _-]n(?:umber|o))?\s*:\s*(\S.*)$", re.IGNORECASE | re.MULTILINE),
}
_PLACES = 6  # decimals of a target that count [mm]: what a results file keeps


@shown
@dataclass(frozen=True, eq=False)
class Record:
    """What is appended to an archive.

    Attributes
    ----------
    body : dict
        Plain data: everything but the touches.
    touches : DataFrame
        The judged touches, tidied (`bulk.tidied`); no rows where there are none.
    """

    body: dict[str, Any]
    touches: pd.DataFrame

    @property
    def sentence(self) -> str:
        """Which part, and its word, in one line."""
        return f"{self.body['kind']} of {self.body['key']}: {self.body['word']}, {len(self.touches)} touches"


def text_of(body: Mapping[str, Any]) -> str:
    """The body of a record as the text that is stored and hashed: JSON, keys in order, ASCII only."""
    return json.dumps(body, sort_keys=True, separators=(",", ":"), allow_nan=False)


def record_of(study: Study, inspection: Inspection, *, at: str = "") -> Record:
    """The record of an inspection.

    Parameters
    ----------
    study : Study
        That was run.
    inspection : Inspection
        What `probekit.study.run` found.
    at : str
        When it was archived (ISO 8601, UTC); now by default.

    Returns
    -------
    Record
    """
    asked, _ = runnable(study)
    results = content_of(inspection)
    del results["touches"]
    touches = tidied(inspection.verdict.table)
    hashes = {
        "study": asked.sha256,
        "settings": _digest(_asked(asked)),
        "model": inspection.part.sha256,
        "plan": _plan(touches),
        "touches": str(inspection.measured.attrs.get("sha256", "")),
        "measured": digest_of(touches[[name for name in MEASURED if name in touches]]),
    }
    about = {name: value for name, value in inspection.about.items() if value is not None}
    body = {
        **_head("inspection", inspection.verdict.part, at),
        "key": _key(about, hashes),
        "part": inspection.part.name,
        "about": plain(about),
        "files": {"study": study.path.name, "touches": Path(str(inspection.measured.attrs.get("source", ""))).name},
        "hashes": hashes,
        "revision": _revision(hashes),
        "settings": plain(asked.settings),
        "results": results,
        "touches": {"rows": len(touches), "columns": kinds_of(touches), "sha256": digest_of(touches)},
    }
    return Record(body, touches)


def refused_record(name: str, touches: str | Path, error: Exception, *, serial: str = "", at: str = "") -> Record:
    """The record of results that could not be judged, so that a part never vanishes because its file was bad.

    Parameters
    ----------
    name : str
        The study.
    touches : str or Path
        The results file.
    error : Exception
    serial : str
        Of the part, if it is known.
    at : str
        As for `record_of`.
    """
    try:
        checksum = hashlib.sha256(Path(touches).read_bytes()).hexdigest()
    except (OSError, ValueError):
        checksum = ""
    about = {name: value for name, value in (("serial", serial),) if value} | _header(touches)
    said = in_full(error) if isinstance(error, ProbekitError) else f"a fault of probekit: {error!r}"
    body = {
        **_head("refused", "refused", at),
        "key": _key(about, {"touches": checksum, "measured": Path(touches).name}),
        "about": about,
        "files": {"study": name, "touches": Path(touches).name},
        "hashes": {"touches": checksum},
        "error": said,
    }
    return Record(body, pd.DataFrame())


def _header(touches: str | Path) -> dict[str, str]:
    """Serial and part number in the header of a results file that could not be read further."""
    try:
        with Path(touches).open("rb") as stream:
            head = stream.read(_HEADER).decode("utf-8", "replace")
    except (OSError, ValueError):
        return {}
    found = {}
    for name, pattern in _NAMED.items():
        if match := pattern.search(head):
            found[name] = match[1].strip()
    return found


def answer_record(of: str, key: str, text: str, *, by: str, at: str = "") -> Record:
    """The record of what a person decided on a record: it names that record by its hash, and changes nothing in it.

    Parameters
    ----------
    of : str
        Hash of the record.
    key : str
        Of its part.
    text, by : str
        What was decided, and who decided it.
    at : str
        As for `record_of`.
    """
    return Record({**_head("answer", "", at), "key": key, "of": of, "text": text, "by": by}, pd.DataFrame())


def _head(kind: str, word: str, at: str) -> dict[str, Any]:
    return {
        "schema": SCHEMA,
        "kind": kind,
        "word": word,
        "at": at or datetime.now(UTC).isoformat(timespec="seconds"),
    }


def _key(about: Mapping[str, Any], hashes: Mapping[str, str]) -> str:
    """What tells parts apart: the serial number with the part number; without one, the results file."""
    if about.get("serial") not in (None, ""):
        return " / ".join(str(about[name]) for name in ("part_number", "serial") if about.get(name) not in (None, ""))
    return f"file {(hashes['touches'] or hashes['measured'])[:12]}"


def _digest(data: Any) -> str:
    return hashlib.sha256(text_of({"": plain(data)}).encode()).hexdigest()


def _revision(hashes: Mapping[str, str]) -> str:
    return _digest([hashes[name] for name in ("settings", "model", "plan")])


def _asked(study: Study) -> dict[str, Any]:
    """What a study asks, without names of files; checks of one's own count with their code."""
    settings = study.settings
    asked = {name: settings[name] for name in _ASKED if name in settings}
    asked["part"] = {key: value for key, value in settings["part"].items() if key not in (*_FILES, *PART)}
    for one in settings["tolerance"]:
        module = str(one.get("kind", "")).partition(":")
        path = study.file(module[0] + ".py")
        if module[1] and path.is_file():
            asked[path.name] = hashlib.sha256(path.read_bytes()).hexdigest()
    return asked


def _plan(touches: pd.DataFrame) -> str:
    """Digest of the targets, whatever their order."""
    names = [name for name in ("touch", "feature", *TARGET, *NORMAL) if name in touches]
    targets = touches[names].copy()
    for name in targets.columns:
        if targets[name].dtype.kind == "f":
            targets[name] = targets[name].round(_PLACES)
    targets["touch"] = targets["touch"].astype(str).astype(object)
    return digest_of(tidied(targets.sort_values("touch", kind="stable", ignore_index=True)))
