"""What the record sends, and what an erasure takes."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field, StringConstraints

from wearvision_api.routes.schemas import Body, Public, RecordId, Remark

Digest = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
Key = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
Signature = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{128}$")]


class EntryPublic(Public):
    """A step that somebody took."""

    place: int = Field(ge=1, description="In the chain: 1, 2, 3 … without a gap.")
    at: str = Field(description="UTC, ISO 8601.")
    who: str = Field(description="Account name.")
    what: str
    kind: str = Field(description="Of the subject, such as return.")
    subject: str = Field(description="Its id.")
    before: dict[str, Any] | None
    after: dict[str, Any] | None
    photos: list[Digest] = Field(description="SHA-256 of the photos that the step is about.")
    entry: str = Field(description="What was hashed: all of the above as canonical JSON (RFC 8785), UTF-8.")
    previous: Digest = Field(description="Digest of the entry before; zeros before the first.")
    digest: Digest = Field(description="SHA-256 over the 32 bytes of previous and the bytes of entry.")


class EntryPage(Public):
    """Entries in the order of the chain."""

    items: list[EntryPublic]
    next: int | None = Field(description="Send it as after for the next page; null on the last.")


class HeadPublic(Public):
    """The end of the chain under a signature, to be kept elsewhere."""

    place: int = Field(ge=0, description="Number of entries.")
    digest: Digest
    at: str = Field(description="When it was signed; UTC.")
    public_key: Key = Field(description="Ed25519 (RFC 8032), hex.")
    signature: Signature = Field(
        description="Over canonical JSON of at, digest, place, and form 'wearvision record head 1'."
    )


class ErasureCreate(Body):
    """Erases a photo on a lawful request."""

    reason: Annotated[Remark, StringConstraints(min_length=3)] = Field(
        description="Why. It stands in the record for good: name no person."
    )


class TombstonePublic(Public):
    """What an erased photo leaves."""

    photo: RecordId
    sha256: Digest
    at: str
    by: str
    reason: str
    body: str = Field(description="What was signed, as text.")
    public_key: Key
    signature: Signature
    also: list[RecordId] = Field(
        description="Other records of the very same photo: its bytes stay until these are erased, too."
    )
    sets: list[str] = Field(description="Names of the frozen data sets that hold it; their manifests go on naming it.")
    models: list[str] = Field(description="Ids of the models that were taught with it; they keep what they learned.")


HEAD: dict[str, Any] = {
    "place": 2,
    "digest": "7c4a2d176d9b89a5ec3f8b054f2d7ee67f3b47777eec070895c5774938a58029",
    "at": "2026-03-02T09:30:00.000000Z",
    "public_key": "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
    "signature": "9f" * 64,
}
ENTRY: dict[str, Any] = {
    "place": 2,
    "at": "2026-03-02T09:30:00.000000Z",
    "who": "counter-1",
    "what": "opened",
    "kind": "return",
    "subject": "36e17590-7acf-4b0b-b042-0bb753885611",
    "before": None,
    "after": {"number": "26-00042-31"},
    "photos": [],
    "entry": '{"after":{"number":"26-00042-31"},"at":"2026-03-02T09:30:00.000000Z"}',
    "previous": "ebb1c1e0be0a83632cbebcbc3f676018f5bddd5335902049522c67bf218da5b1",
    "digest": HEAD["digest"],
}
TOMBSTONE: dict[str, Any] = {
    "photo": "2843c747-7926-4a1b-98a9-54a99d32d7e8",
    "sha256": "c7f31c3e037e9b27afaca11a6af3c7f3c9e5503ef2efdec015a1890643d34e38",
    "at": HEAD["at"],
    "by": "office",
    "reason": "Asked for under the law on personal data; letter of 1 March.",
    "body": '{"form":"wearvision tombstone 1"}',
    "public_key": HEAD["public_key"],
    "signature": HEAD["signature"],
    "also": [],
    "sets": ["2026 spring"],
    "models": ["site-2026-05"],
}
RECORD_EXAMPLES: dict[str, Any] = {
    "EntryPage": {"items": [ENTRY], "next": None},
    "ErasureCreate": {"reason": TOMBSTONE["reason"]},
    "HeadPublic": HEAD,
    "TombstonePublic": TOMBSTONE,
}
"""By the name of their schema; ``examples.py`` puts them into the document."""
