"""Results as Parquet: one row a photo, nested where a report is nested.

Texts that are the same for many photos (hand checks, causes, cautions) follow from grade and measures and are left out;
everything else of a report is there, so that a row becomes the report again and can be graded again.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from wearvision.bulk.entries import Entry
from wearvision.bulk.job import json_line
from wearvision.errors import ResultsError
from wearvision.standard import CAUTIONS, DEFERENCE

_TEXTS = pa.list_(pa.string())
_NUMBERS = pa.map_(pa.string(), pa.float64())
_SAID = {"grade": pa.string(), "possible_grades": _TEXTS, "probabilities": _NUMBERS}
_MODEL = pa.struct({"id": pa.string(), "sha256": pa.string(), "calibrated_on": pa.string(), "rate": pa.float64()})
_LIMITS = pa.struct({"id": pa.string(), "sha256": pa.string()})
_INTERVAL = {"value": pa.float64(), "low": pa.float64(), "high": pa.float64(), "unit": pa.string()}
_MEASURE = {
    "name": pa.string(), "mode": pa.string(), **_INTERVAL, "grade": pa.string(), "agree": pa.bool_(),
    "reason": pa.string(), "note": pa.string(),
}  # fmt: skip
_FAULT = {"kind": pa.string(), "value": pa.float64(), "limit": pa.float64(), "advice": pa.string()}
_INPUTS = ("softness", "brightness", "clipped", "size_px", "energy", "none")
SCHEMA = pa.schema(
    {
        "photo": pa.string(),
        "sha256": pa.string(),
        "usable": pa.bool_(),
        "part": pa.struct({"name": pa.string(), "probability": pa.float64(), "view": pa.string()}),
        "refusal": pa.string(),
        **_SAID,
        "standing": pa.string(),
        "not_seen": _TEXTS,
        "views_missing": _TEXTS,
        "faults": pa.list_(pa.struct(_FAULT)),
        "measures": pa.list_(pa.struct(_MEASURE)),
        "settings": pa.list_(pa.struct({"name": pa.string(), **_INTERVAL, "within": pa.bool_(), "note": pa.string()})),
        "model": _MODEL,
        "limits": _LIMITS,
        "milliseconds": _NUMBERS,
        "inputs": pa.list_(pa.struct(dict.fromkeys(_INPUTS, pa.float64()))),
        "basis": pa.string(),  # JSON: its numbers are for `regrade` alone
        "error": pa.struct({"code": pa.string(), "message": pa.string()}),
        "before": pa.struct({**_SAID, "model": _MODEL, "limits": _LIMITS}),
        "source": pa.struct({"address": pa.string(), "size": pa.int64(), "version": pa.string(), "terms": pa.string()}),
    },
    metadata={"cautions": json.dumps([DEFERENCE, *CAUTIONS])},
)
"""The columns. ``error`` is null where the photo was read, ``before`` where it was not graded again."""

_MAPS = ("probabilities", "milliseconds")
_ALWAYS = frozenset({"value", "within", *_INPUTS, "size", "name", "view"})
"""Fields of nested records that stand in a report even where they are null."""


def to_parquet(lines: Iterable[bytes]) -> bytes:
    """A Parquet file of results.

    Args:
        lines: Results as lines of JSON.
    """
    rows = [_to_row(json.loads(line)) for line in lines]
    out = io.BytesIO()
    pq.write_table(pa.Table.from_pylist(rows, schema=SCHEMA), out, compression="zstd")
    return out.getvalue()


def parquet_lines(path: Path | str, files: Any = None) -> Iterator[bytes]:
    """The results in a Parquet file as lines of JSON.

    Args:
        path: The file.
        files: Its fsspec file system; None: a local file.

    Raises:
        ResultsError: it is no file of results.
    """
    with _opened(path, files) as file:
        for batch in file.iter_batches(batch_size=256):
            for row in batch.to_pylist():
                yield json_line(_to_record(row))


def sources(path: Path | str, files: Any = None) -> list[tuple[Entry, str]]:
    """Of each row the photo and its terms, without reading the rest. ResultsError as ``parquet_lines``."""
    with _opened(path, files) as file:
        found = file.read(columns=["source"]).column("source").to_pylist()
    return [(Entry(one["address"], one["size"], one["version"]), one["terms"]) for one in found]


def _opened(path: Path | str, files: Any) -> pq.ParquetFile:
    try:
        file = pq.ParquetFile(str(path), filesystem=files)
        if file.schema_arrow.names != SCHEMA.names:
            raise ResultsError(f"{path} has other columns than results have.")
        return file
    except (OSError, pa.ArrowException) as error:
        raise ResultsError(f"{path} cannot be read as Parquet: {error}.") from error


def _to_row(record: Mapping[str, Any]) -> dict[str, Any]:
    row = {name: record.get(name) for name in SCHEMA.names}
    if "basis" in record:
        row["basis"] = json.dumps(record["basis"], separators=(",", ":"))
    return row


def _to_record(row: Mapping[str, Any]) -> dict[str, Any]:
    """A row as the report that it was made of, less the texts."""
    if row["error"] is not None:
        kept = {name: row[name] for name in ("photo", "usable", "error", "before", "source")}
        return {name: _plain(name, value) for name, value in kept.items() if value is not None}
    record = {name: _plain(name, value) for name, value in row.items() if name not in ("error", "before", "basis")}
    record["basis"] = json.loads(row["basis"] or "[]")
    if row["before"] is not None:
        record["before"] = {name: _plain(name, value) for name, value in row["before"].items()}
    return record


def _plain(name: str, value: Any) -> Any:
    if name in _MAPS and value is not None:
        return dict(value)
    if isinstance(value, list):
        return [_plain("", one) for one in value]
    if isinstance(value, dict):
        return {key: one for key, one in value.items() if one is not None or key in _ALWAYS}
    return value
