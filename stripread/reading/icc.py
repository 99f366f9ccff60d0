"""The tone curves of an embedded ICC profile (ICC.1:2022, matrix/TRC profiles), and nothing else of it.

Colours are corrected against the card in the same picture, and that correction is linear: it takes any
set of primaries (sRGB, Display P3, Adobe RGB) into account by itself. Only the curve must be undone first.
"""

from __future__ import annotations

import struct

import numpy as np
from numpy.typing import NDArray

from shared.errors import PhotoError

Array = NDArray[np.float64]

#: Parameters of ICC parametric curves by function type: how many follow (ICC.1:2022, table 68).
_PARAMETERS = {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}


def tone_curves(profile: bytes, where: str, points: int) -> Array | None:
    """Linear light (points, 3) in R, G, B at ``points`` even steps of the encoded value from 0 to 1.

    None when the profile is damaged beyond its header, as if there were none. Raises PhotoError for a
    profile without per-channel curves (a table profile), which cannot be undone channel by channel.
    """
    tags = _tags(profile)
    if tags is None:
        return None
    if not all(tag in tags for tag in (b"rTRC", b"gTRC", b"bTRC")):
        raise PhotoError("the embedded colour profile has no tone curves", where=where, found="a table profile",
                         allowed="matrix/TRC profiles such as sRGB, Display P3, Adobe RGB",
                         remedy="save the photograph with an sRGB or Display P3 profile")
    steps = np.linspace(0.0, 1.0, points)
    try:
        return np.column_stack([_curve(tags[tag], steps) for tag in (b"rTRC", b"gTRC", b"bTRC")])
    except (struct.error, ValueError, KeyError):
        return None


def _tags(profile: bytes) -> dict[bytes, bytes] | None:
    if len(profile) < 132 or profile[36:40] != b"acsp":
        return None
    (count,) = struct.unpack_from(">I", profile, 128)
    if len(profile) < 132 + 12 * count:
        return None
    rows = (struct.unpack_from(">4sII", profile, 132 + 12 * i) for i in range(count))
    return {tag: profile[offset : offset + size] for tag, offset, size in rows}


def _curve(tag: bytes, x: Array) -> Array:
    if tag[:4] == b"para":
        return _parametric(tag, x)
    if tag[:4] != b"curv":
        raise ValueError("unknown curve")
    (count,) = struct.unpack_from(">I", tag, 8)
    if count == 0:
        return x.copy()
    table = np.frombuffer(tag, ">u2", count, 12).astype(np.float64)
    if count == 1:
        return np.asarray(x ** (table[0] / 256.0))
    return np.interp(x, np.linspace(0.0, 1.0, count), table / 65535.0)


def _parametric(tag: bytes, x: Array) -> Array:
    (kind,) = struct.unpack_from(">H", tag, 8)
    values = [v / 65536.0 for v in struct.unpack_from(f">{_PARAMETERS[kind]}i", tag, 12)]
    g, a, b, c, d, e, f = _full(kind, values)
    with np.errstate(invalid="ignore"):
        high = np.power(np.maximum(a * x + b, 0.0), g) + e
    return np.where(x >= d, high, c * x + f)


def _full(kind: int, v: list[float]) -> tuple[float, ...]:
    """The seven parameters of the general form (type 4) for any simpler type."""
    if kind == 0:
        return v[0], 1.0, 0.0, 0.0, 0.0, 0.0, 0.0
    if kind in (1, 2):
        g, a, b = v[:3]
        lift = v[3] if kind == 2 else 0.0
        return g, a, b, 0.0, -b / a, lift, lift
    if kind == 3:
        return (*v, 0.0, 0.0)
    return tuple(v)
