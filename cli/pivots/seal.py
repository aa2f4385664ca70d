"""The answer key, sealed so that nobody reads it by accident. It is no secret to anyone who means to open it."""

from __future__ import annotations

import base64
import hashlib
import json
import zlib
from typing import Any

__all__ = ["open_key", "seal"]

_FIRST = "tiltwright practice key: the answers, sealed so that nobody reads them by accident"
_LINE = 76
_LARGEST = 50_000_000


def seal(answers: dict[str, Any]) -> str:
    """Answers as a text that no eye reads.

    Examples
    --------
    >>> open_key(seal({"a": 1.5}))
    {'a': 1.5}
    """
    plain = zlib.compress(json.dumps(answers, allow_nan=False, sort_keys=True).encode("utf-8"), 9)
    salt = hashlib.sha256(plain).digest()[:16]
    text = base64.b64encode(salt + _mixed(plain, salt)).decode("ascii")
    lines = [text[place : place + _LINE] for place in range(0, len(text), _LINE)]
    return "\n".join([_FIRST, *lines]) + "\n"


def open_key(text: str) -> dict[str, Any]:
    """The answers of a sealed text.

    Raises
    ------
    ValueError
        When it is no key, or not all of it.

    Examples
    --------
    >>> open_key("something else")
    Traceback (most recent call last):
        ...
    ValueError: a file that is no practice key
    """
    lines = text.split()
    if not text.startswith(_FIRST):
        raise ValueError("a file that is no practice key")
    try:
        raw = base64.b64decode("".join(lines[len(_FIRST.split()) :]), validate=True)
        plain = _mixed(raw[16:], raw[:16])
        whole = hashlib.sha256(plain).digest()[:16] == raw[:16]
        answers = json.loads(zlib.decompressobj().decompress(plain, _LARGEST)) if whole else None
    except (ValueError, zlib.error):
        answers = None
    if not isinstance(answers, dict):
        raise ValueError("a practice key that was changed or cut off")  # noqa: TRY004 - it is a file's fault
    return answers


def _mixed(content: bytes, salt: bytes) -> bytes:
    """Content and a stream of digests, one into the other; twice gives the content again."""
    blocks = (len(content) + 31) // 32
    stream = b"".join(hashlib.sha256(salt + block.to_bytes(8, "big")).digest() for block in range(blocks))
    return bytes(a ^ b for a, b in zip(content, stream, strict=False))
