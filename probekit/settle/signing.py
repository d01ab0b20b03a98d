"""Signatures of answers: Ed25519 (RFC 8032), optional. What was not checked here is not called invalid."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import replace

from ..errors import InputError, how_to_install
from .answers import Answer, canonical

__all__ = ["INVALID", "NOT_CHECKED", "UNSIGNED", "check", "new_key", "sign"]

UNSIGNED = "not signed"
NOT_CHECKED = "signed; not checked here"
INVALID = "signature invalid"


def new_key() -> bytes:
    """A new private key as PEM (PKCS 8, not encrypted): keep it where only its owner reads it.

    Raises
    ------
    InputError
        If `cryptography` is not installed.
    """
    ed25519, serialization = _library()
    key = ed25519.Ed25519PrivateKey.generate()
    form = (serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    return bytes(key.private_bytes(*form))


def sign(answer: Answer, pem: bytes) -> Answer:
    """The answer with a signature of all that it says.

    Parameters
    ----------
    answer : Answer
        What is signed.
    pem : bytes
        An Ed25519 private key, as `new_key` makes it.

    Raises
    ------
    InputError
        If that is no such key, or `cryptography` is not installed.
    """
    ed25519, serialization = _library()
    try:
        key = serialization.load_pem_private_key(pem, password=None)
    except (ValueError, TypeError):
        key = None
    if not isinstance(key, ed25519.Ed25519PrivateKey):
        raise InputError("this is no private key that signs answers", expected="an Ed25519 key as PEM, not encrypted")
    public = key.public_key().public_bytes(serialization.Encoding.Raw, serialization.PublicFormat.Raw)
    value = key.sign(canonical(answer))
    return replace(answer, key=base64.b64encode(public).decode(), signature=base64.b64encode(value).decode())


def check(answer: Answer, keys: Mapping[str, str]) -> str:
    """What is known of the signature of an answer, in words.

    Parameters
    ----------
    answer : Answer
        Whose signature.
    keys : mapping
        Public key (base64) -> whose it is.
    """
    if not answer.signature:
        return UNSIGNED
    try:
        ed25519, _ = _library()
    except InputError:
        return NOT_CHECKED
    from cryptography.exceptions import InvalidSignature

    try:
        key = base64.b64decode(answer.key)
        public = ed25519.Ed25519PublicKey.from_public_bytes(key)
        if _of_small_order(key):
            return INVALID
        public.verify(base64.b64decode(answer.signature), canonical(answer))
    except (InvalidSignature, ValueError):
        return INVALID
    if answer.key in keys:
        return f"signed with the key of {keys[answer.key]}"
    return f"signed with a key that is not known here, {answer.key[:8]}"


def _of_small_order(key: bytes) -> bool:
    """Whether a public key is one of the few with which a signature made without any private key passes now and then.

    Its point P = (x, y) on -x^2 + y^2 = 1 + d x^2 y^2 (RFC 8032, 5.1) has an order that divides 8: y = 1 or -1 (order
    1, 2), y = 0 (order 4), or 2 P has y = 0 (order 8), which is x^2 + y^2 = 0, with the curve d y^4 + 2 y^2 = 1.
    """
    p = 2**255 - 19
    d, y = -121665 * pow(121666, -1, p), int.from_bytes(key, "little") % 2**255
    return y * (y * y - 1) * (d * y**4 + 2 * y * y - 1) % p == 0


def _library():  # type: ignore[no-untyped-def]
    try:
        from cryptography.hazmat.primitives import serialization
        from cryptography.hazmat.primitives.asymmetric import ed25519
    except ImportError:
        raise InputError("signatures need the package cryptography", todo=how_to_install("sign")) from None
    return ed25519, serialization
