"""Photos by fsspec address: in a store, an archive, on a server."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from functools import lru_cache
from typing import Any

from fsspec.core import url_to_fs
from fsspec.utils import glob_translate

from wearvision.bulk.entries import SUFFIXES, Entry
from wearvision.errors import PhotoTooLarge, ResultsError

_WILD = "*?["


def list_remote(address: str, *, deep: bool = False) -> Iterator[Entry]:
    """Photos of an address, one folder of it after the other; only the largest folder is ever held in memory.

    Args:
        address: A file, a folder (its photos), or a pattern (``*``, ``?``, ``[…]``, ``**`` for folders in between).
        deep: Also the photos in the folders of a folder.

    Raises:
        ResultsError: nothing answers there.
    """
    head, chain = _split(address)
    try:
        files, path = _opened(address)
        if not any(mark in path for mark in _WILD):
            facts = files.info(path)
            if facts["type"] != "directory":
                yield _entry(files, facts, head, chain)
                return
            root, pattern = path, None
        else:
            root, pattern = _root(path), path
            deep = deep or "**" in path or "/" in path[len(root) :].strip("/")
        for facts in _walk(files, root, deep):
            if _wanted(str(facts["name"]), pattern):
                yield _entry(files, facts, head, chain)
    except Exception as error:  # every store has its own errors
        if isinstance(error, GeneratorExit):
            raise
        raise ResultsError(f"{address} cannot be listed: {type(error).__name__}: {error}.") from error


def read_remote(entry: Entry, most: int) -> bytes:
    """The bytes of a file. PhotoTooLarge over ``most`` bytes; else the store's own errors."""
    files, path = _opened(entry.address)
    with files.open(path, "rb") as file:
        data: bytes = file.read(most + 1)
    if len(data) > most:
        raise PhotoTooLarge(f"{entry.name} has more than {most / 2**20:.1f} MiB, the most that is read.")
    return data


def _split(address: str) -> tuple[str, str]:
    """Protocol with ``://``, and what an archive is chained to with its ``::``."""
    inner, mark, outer = address.partition("::")
    return inner.partition("://")[0] + "://", mark + outer


def _opened(address: str) -> tuple[Any, str]:
    head, chain = _split(address)
    inner = address.partition("::")[0].partition("://")[2]
    if chain:
        # An archive's own list is read once, not once a photo.
        return _archive(head + chain), inner
    files, path = url_to_fs(address, use_listings_cache=False)
    return files, str(path)


@lru_cache(maxsize=4)
def _archive(address: str) -> Any:
    return url_to_fs(address)[0]


def _walk(files: Any, root: str, deep: bool) -> Iterator[dict[str, Any]]:
    found = sorted(files.ls(root, detail=True), key=lambda facts: str(facts["name"]))
    for facts in found:
        if facts["type"] != "directory":
            yield facts
        elif deep and facts["name"].strip("/") != root.strip("/"):
            yield from _walk(files, facts["name"], deep)


def _root(pattern: str) -> str:
    """The folder above the first mark of a pattern."""
    first = min(pattern.index(mark) for mark in _WILD if mark in pattern)
    return pattern[:first].rpartition("/")[0]


def _wanted(name: str, pattern: str | None) -> bool:
    if pattern is None:
        return name.lower().endswith(SUFFIXES)
    return _match(pattern.strip("/"))(name.strip("/")) is not None


@lru_cache(maxsize=16)
def _match(pattern: str) -> Callable[[str], re.Match[str] | None]:
    return re.compile(glob_translate(pattern)).match


def _entry(files: Any, facts: dict[str, Any], head: str, chain: str) -> Entry:
    name = str(facts["name"])
    size = facts.get("size")
    told = next(
        (facts[key] for key in ("ETag", "etag", "mtime", "LastModified", "CRC", "created") if facts.get(key)), ""
    )
    address = name if "://" in name else head + name.lstrip("/" if chain else "")
    return Entry(address + chain, None if size is None else int(size), str(told).strip('"'))
