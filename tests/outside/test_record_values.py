"""Digests, chain and signatures of the record against published values, through the functions that the record uses.

SHA-256: FIPS 180-4 and the example values of its programme (seen in the handbook, C8.1). Chain: reckoned by hand in the
handbook (C8.2). Ed25519: RFC 8032, section 7.1 (values from memory, checked by signing). Canonical JSON: RFC 8785,
section 3.2.2 and 3.2.3 (values from memory).
"""

from __future__ import annotations

from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from wearvision_api.record.chain import START, canonical, link
from wearvision_api.record.keys import RecordKey, is_signed
from wearvision_api.store.blobs import Blobs

SHA256 = [
    (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
    (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
    (
        b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
    ),
    (b"a" * 10**6, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
]


@pytest.mark.parametrize(("data", "digest"), SHA256)
def test_photo_hash_and_link_are_sha256(data: bytes, digest: str, tmp_path: Path) -> None:
    """C8.1: a link over nothing before it is the plain digest of its bytes."""
    assert link(b"", data).hex() == digest
    assert link(data[:3], data[3:]).hex() == digest
    assert Blobs(f"file://{tmp_path}").put(data) == digest


def test_chain_of_two_records() -> None:
    """C8.2."""
    first, second = b'{"n":1,"grade":"clean-and-reuse"}', b'{"n":2,"grade":"replace"}'
    one = link(START, first)
    assert one.hex() == "ebb1c1e0be0a83632cbebcbc3f676018f5bddd5335902049522c67bf218da5b1"
    assert link(one, second).hex() == "7c4a2d176d9b89a5ec3f8b054f2d7ee67f3b47777eec070895c5774938a58029"
    assert link(link(START, second), first) != link(one, second)


def test_signature_of_rfc_8032_test_1() -> None:
    seed = "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60"
    public = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"
    signature = (
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe"
        "24655141438e7a100b"
    )
    key = RecordKey(Ed25519PrivateKey.from_private_bytes(bytes.fromhex(seed)))
    assert key.public == public
    assert key.sign(b"") == signature
    assert is_signed(public, signature, b"")
    assert not is_signed(public, signature, b"\0")
    assert not is_signed(public, "f" + signature[1:], b"")


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (
            {"numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 0.000000000000000000000000001]},
            '{"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27]}',
        ),
        ({"string": '€$\x0f\nA\'B"\\\\"/'}, '{"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'),
        (
            {"€": 1, "\r": 2, "\ufb33": 3, "1": 4, "\U0001f600": 5, "\x80": 6, "ö": 7},
            '{"\\r":2,"1":4,"\x80":6,"ö":7,"€":1,"\U0001f600":5,"\ufb33":3}',
        ),
        ({"literals": [None, True, False]}, '{"literals":[null,true,false]}'),
    ],
)
def test_canonical_form_is_that_of_rfc_8785(value: object, text: str) -> None:
    assert canonical(value) == text.encode()
