"""Tables of touches in bulk: a digest of their content, bytes of one table, and many tables in one Parquet file.

The digest is of the content, not of a file, so that tables can be packed, exported and read back, and still be proved.
Columns are float64, int64, bool or text; a category is kept as text.
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..errors import InputError, how_to_install

if TYPE_CHECKING:
    import pyarrow

__all__ = ["arrow", "bytes_of", "digest_of", "from_bytes", "from_pack", "kinds_of", "pack_of", "tidied"]

_FLOAT, _WHOLE, _FLAG, _TEXT = "float", "int", "bool", "text"
_SAID = 100  # characters of a message of the library
_NONE = 0xFFFFFFFF  # length of a text that is missing


def arrow() -> Any:
    """The library for columns on disk, or an error that says how to install it.

    Raises
    ------
    InputError
        If it is not installed.
    """
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        raise InputError("an archive needs the library pyarrow", todo=how_to_install("archive")) from None
    return pyarrow


def tidied(table: pd.DataFrame) -> pd.DataFrame:
    """A table whose columns are float64, int64, bool or text (object, None where missing), with names in order.

    Parameters
    ----------
    table : DataFrame
    """
    out = {}
    for name in sorted(map(str, table.columns)):
        column = table[name]
        kind = column.dtype.kind
        if kind == "b":
            out[name] = column.to_numpy(dtype=bool)
        elif kind in "iu":
            out[name] = column.to_numpy(dtype=np.int64)
        elif kind == "f":
            out[name] = column.to_numpy(dtype=np.float64, na_value=np.nan)
        else:
            given = column.to_numpy(dtype=object)
            text = np.empty(len(given), dtype=object)
            text[:] = [None if pd.isna(one) else str(one) for one in given]
            out[name] = text
    return pd.DataFrame(out, index=pd.RangeIndex(len(table)), columns=list(out), copy=False).astype(
        {name: object for name, values in out.items() if values.dtype == object}
    )


def kinds_of(table: pd.DataFrame) -> dict[str, str]:
    """Column -> "float", "int", "bool" or "text", of a tidied table."""
    words = {"f": _FLOAT, "i": _WHOLE, "b": _FLAG}
    return {str(name): words.get(kind.kind, _TEXT) for name, kind in zip(table.columns, table.dtypes, strict=True)}


def digest_of(table: pd.DataFrame) -> str:
    """SHA-256 of names, kinds and values of a tidied table; NaN is one value, and -0 is 0.

    Parameters
    ----------
    table : DataFrame
    """
    found = hashlib.sha256(struct.pack("<q", len(table)))
    for name, kind in kinds_of(table).items():
        values = table[name].to_numpy()
        found.update(f"{name}\n{kind}\n".encode("utf-8", "surrogatepass"))
        if kind == _TEXT:
            for one in values:
                data = one.encode("utf-8", "surrogatepass") if isinstance(one, str) else b""
                found.update(struct.pack("<I", len(data) if isinstance(one, str) else _NONE) + data)
            continue
        if kind == _FLOAT:
            values = np.where(np.isnan(values), np.nan, values) + 0.0
        little = {_FLOAT: "<f8", _WHOLE: "<i8", _FLAG: "|b1"}[kind]
        found.update(np.ascontiguousarray(values, dtype=little).tobytes())
    return found.hexdigest()


def bytes_of(table: pd.DataFrame) -> bytes:
    """A tidied table as an Arrow stream, compressed."""
    pa = arrow()
    made = _columns(pa, table)
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, made.schema, options=pa.ipc.IpcWriteOptions(compression="zstd")) as writer:
        writer.write_table(made)
    return bytes(sink.getvalue())


def from_bytes(data: bytes) -> pd.DataFrame:
    """The table of `bytes_of`.

    Raises
    ------
    ValueError, OSError
        If they are not as they were written.
    """
    pa = arrow()
    try:
        return _frame(pa.ipc.open_stream(pa.py_buffer(data)).read_all())
    except pa.ArrowException as error:  # not all of them are errors of value
        raise ValueError(_short(error)) from None


def pack_of(tables: Mapping[int, pd.DataFrame]) -> bytes:
    """Several tidied tables with the same columns as one Parquet file, with a column `record` for their numbers."""
    pa = arrow()
    parts = [
        _columns(pa, table).append_column("record", pa.array(np.full(len(table), number, dtype=np.int64)))
        for number, table in tables.items()
    ]
    sink = pa.BufferOutputStream()
    pa.parquet.write_table(pa.concat_tables(parts), sink, compression="zstd", row_group_size=200_000)
    return bytes(sink.getvalue())


def from_pack(path: str, columns: Sequence[str] | None = None) -> pd.DataFrame:
    """The tables of `pack_of` below each other, with the column `record`.

    Parameters
    ----------
    path : str
    columns : sequence of str, optional
        Those to read besides `record`; those that the file lacks are left out.

    Raises
    ------
    ValueError, OSError
        If it is not there, or not a Parquet file.
    """
    pa = arrow()
    try:
        with pa.parquet.ParquetFile(path) as file:
            there = file.schema_arrow.names
            wanted = None if columns is None else ["record", *(c for c in columns if c in there)]
            return _frame(file.read(columns=wanted))
    except pa.ArrowException as error:
        raise ValueError(_short(error)) from None


def _short(error: Exception) -> str:
    """What a library says of damaged bytes, without the bytes."""
    said = str(error).encode("ascii", "backslashreplace").decode("ascii")
    return said if len(said) <= _SAID else said[:_SAID] + "..."


def _columns(pa: Any, table: pd.DataFrame) -> pyarrow.Table:
    types = {_FLOAT: pa.float64(), _WHOLE: pa.int64(), _FLAG: pa.bool_(), _TEXT: pa.string()}
    kinds = kinds_of(table)
    return pa.table(
        {
            name: pa.array(table[name].to_numpy(), type=types[kind], from_pandas=False if kind == _FLOAT else None)
            for name, kind in kinds.items()
        }
    )


def _frame(table: pyarrow.Table) -> pd.DataFrame:
    out = {}
    for name, column in zip(table.column_names, table.columns, strict=True):
        values = column.to_numpy()
        out[name] = values if values.dtype.kind in "fib" else np.array(column.to_pylist(), dtype=object)
    made = pd.DataFrame(out, copy=False)
    return made.astype({name: object for name, values in out.items() if values.dtype == object})
