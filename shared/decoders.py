"""Typed decoding that is safe in threads: the decoder of a type is built once, under a lock.

msgspec (up to 0.22, with the GIL too) publishes its description of a struct before it has converted the types of the
fields. A thread that decodes the same struct at that moment follows a null pointer, and the process dies with SIGSEGV.
After a decoder has been built, the descriptions of its type and of all types within are complete and only read.
"""

from __future__ import annotations

from collections.abc import Callable
from threading import Lock
from typing import Any, TypeVar

import msgspec

T = TypeVar("T")

_building = Lock()


class _Decoders(dict[Any, Any]):
    """Decoders by type, each built at its first use."""

    def __init__(self, build: Callable[[Any], Any]) -> None:
        super().__init__()
        self._build = build

    def __missing__(self, type_: type[Any]) -> Any:
        """Build it; another thread that needs the same type waits."""
        with _building:
            self[type_] = decoder = self._build(type_)
        return decoder


_JSON, _MSGPACK = _Decoders(msgspec.json.Decoder), _Decoders(msgspec.msgpack.Decoder)


def from_json(text: bytes | str | msgspec.Raw, type_: type[T]) -> T:
    """Return JSON as a checked ``type_``. Raises msgspec.DecodeError."""
    decoded: T = _JSON[type_].decode(text)
    return decoded


def from_msgpack(data: bytes, type_: type[T]) -> T:
    """Return MessagePack as a checked ``type_``. Raises msgspec.DecodeError."""
    decoded: T = _MSGPACK[type_].decode(data)
    return decoded


def converted(value: object, type_: type[T], *, from_attributes: bool = False) -> T:
    """Return builtins, or an object's attributes, as a checked ``type_``. Raises msgspec.ValidationError."""
    _JSON[type_]  # completes the descriptions that the conversion reads
    return msgspec.convert(value, type_, from_attributes=from_attributes)
