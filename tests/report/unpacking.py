"""The data block of a page read back in Python, apart from the script that reads it in the browser."""

from __future__ import annotations

import base64
import json
import re
import zlib

import numpy as np


def block(text: str) -> dict:
    """Return the data block of a page."""
    return json.loads(re.search(r'id="data">(.*?)</script>', text, flags=re.S).group(1))


def arrays(data: dict) -> dict[str, np.ndarray]:
    """Return its packed arrays, (n, c) or (n,)."""
    stream, at, found = zlib.decompress(base64.b64decode(data["packed"])), 0, {}
    for name, (kind, rows, columns, how) in data["entries"].items():
        width = int(kind[1])
        planes = np.frombuffer(stream, np.uint8, rows * columns * width, at).reshape(columns, width, rows)
        at += rows * columns * width
        whole = np.zeros((rows, columns), dtype=object)
        for byte in range(width):
            whole += planes[:, byte].T.astype(object) * 256**byte
        if how == "d":
            whole = np.cumsum(
                [[v // 2 if v % 2 == 0 else -(v + 1) // 2 for v in row] for row in whole.tolist()], axis=0
            )
        elif how == "h":
            highest, flat = -1, []
            for code in whole.ravel().tolist():
                value = (highest + 1 - code) % 256**width
                flat.append(value)
                highest = max(highest, value)
            whole = np.array(flat).reshape(rows, columns)
        bits = np.array(whole.reshape(rows, columns) % 256**width, dtype=np.uint64).astype(f"<u{width}")
        values = bits.view(f"<{kind}")
        found[name] = values[:, 0] if columns == 1 else values
    assert at == len(stream)
    return found
