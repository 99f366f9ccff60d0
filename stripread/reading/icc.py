"""An embedded ICC profile (ICC.1:2022, matrix/TRC profiles) to sRGB, the space in which everything after it works.

Cameras set their tone curve on the channels of the space they save in, and most photographs that carry another
space were converted to it from sRGB by some program. A colour clipped in sRGB no longer shows that once it is
expressed in wider primaries, so the way back is taken before anything is measured. What lies outside sRGB counts
as clipped and is left out.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shared.colour import SRGB_TO_XYZ, srgb_decode, srgb_encode
from shared.errors import PhotoError

Array = NDArray[np.float64]
Counts = NDArray[np.float32]

#: Parameters of ICC parametric curves by function type: how many follow (ICC.1:2022, table 68).
_PARAMETERS = {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}
_CURVES, _COLORANTS = (b"rTRC", b"gTRC", b"bTRC"), (b"rXYZ", b"gXYZ", b"bXYZ")
_LEVELS: Array = np.linspace(0.0, 1.0, 256)
#: Linear light and matrix elements this near to sRGB's are sRGB, whichever way its profile was rounded.
_SAME = 0.002
#: Tags of profiles that convert by tables (ICC.1:2022, 9.2).
_TABLES = (b"A2B0", b"A2B1", b"A2B2", b"D2B0", b"D2B1", b"D2B2", b"kTRC")
#: How far black and white of a curve may lie from 0 and 1, and the sRGB white of equal channels from 1. Wide enough
#: for old profiles whose colorants were not adapted to D50; a channel of a real display lies well within.
_CURVE_ENDS, _WHITE = 0.1, 0.5


@dataclass(frozen=True, slots=True)
class Space:
    """``curves`` (256, 3): linear light of each level; ``to_srgb`` (3, 3): linear light to linear sRGB."""

    curves: Array
    to_srgb: Array

    @property
    def is_srgb(self) -> bool:
        """Whether nothing needs to be converted."""
        apart = np.abs(self.curves - srgb_decode(_LEVELS)[:, None]).max()
        return bool(max(apart, np.abs(self.to_srgb - np.eye(3)).max()) < _SAME)

    def srgb_counts(self, counts: Counts) -> Counts:
        """Counts (..., 3) of 255 in this space to counts of 255 in sRGB; what lies outside it leaves 0 to 255."""
        linear = np.stack([np.interp(counts[..., c], 255 * _LEVELS, self.curves[:, c]) for c in range(3)], axis=-1)
        return (255 * srgb_encode(linear @ self.to_srgb.T)).astype(np.float32)


def colour_space(profile: bytes, where: str) -> Space | None:
    """The space of an embedded profile; None for sRGB.

    Raises PhotoError for a profile without curves and colorants (a table profile), ValueError for an invalid one.
    """
    tags = _tags(profile)
    if not all(tag in tags for tag in _CURVES + _COLORANTS):
        raise _without_curves(tags, where)
    try:
        curves = np.column_stack([_curve(tags[tag], _LEVELS) for tag in _CURVES])
        to_xyz = np.column_stack([_s15_fixed16(tags[tag], 8, 3) for tag in _COLORANTS])
    except (struct.error, KeyError, ZeroDivisionError) as error:
        raise ValueError("the profile's curves or colorants cannot be read") from error
    space = Space(curves, np.linalg.solve(SRGB_TO_XYZ, to_xyz))
    _check(space)
    return None if space.is_srgb else space


def _without_curves(tags: dict[bytes, bytes], where: str) -> ValueError:
    if not any(tag in tags for tag in _TABLES):
        return ValueError("the profile lacks curves or colorants")
    return PhotoError("the embedded colour profile has no tone curves", where=where, found="a table profile",
                      allowed="matrix/TRC profiles such as sRGB, Display P3, Adobe RGB",
                      remedy="save the photograph with an sRGB or Display P3 profile")


def _check(space: Space) -> None:
    """Raise ValueError for curves that do not rise from black to white, and for colorants that do not add to white."""
    curves, white = space.curves, space.to_srgb.sum(axis=1)
    rising = bool(np.isfinite(curves).all() and (np.diff(curves, axis=0) >= -_SAME).all())
    if not rising or np.abs(curves[[0, -1]] - [[0.0], [1.0]]).max() > _CURVE_ENDS:
        raise ValueError("the profile's curves do not rise from black to white")
    if not np.abs(white - 1.0).max() <= _WHITE or abs(np.linalg.det(space.to_srgb)) < _SAME:
        raise ValueError("the profile's colorants do not add to white")


def _s15_fixed16(tag: bytes, offset: int, count: int) -> list[float]:
    return [v / 65536.0 for v in struct.unpack_from(f">{count}i", tag, offset)]


def _tags(profile: bytes) -> dict[bytes, bytes]:
    if len(profile) < 132 or profile[36:40] != b"acsp":
        raise ValueError("the profile has no header")
    (count,) = struct.unpack_from(">I", profile, 128)
    if len(profile) < 132 + 12 * count:
        raise ValueError("the profile is truncated")
    rows = (struct.unpack_from(">4sII", profile, 132 + 12 * i) for i in range(count))
    return {tag: profile[offset : offset + size] for tag, offset, size in rows}


def _curve(tag: bytes, x: Array) -> Array:
    if tag[:4] == b"para":
        return _parametric(tag, x)
    if tag[:4] != b"curv":
        raise ValueError("the profile's curve is of an unknown type")
    (count,) = struct.unpack_from(">I", tag, 8)
    if count == 0:
        return x.copy()
    table = np.frombuffer(tag, ">u2", count, 12).astype(np.float64)
    if count == 1:
        return np.asarray(x ** (float(table[0]) / 256.0))
    return np.interp(x, np.linspace(0.0, 1.0, count), table / 65535.0)


def _parametric(tag: bytes, x: Array) -> Array:
    (kind,) = struct.unpack_from(">H", tag, 8)
    g, a, b, c, d, e, f = _full(kind, _s15_fixed16(tag, 12, _PARAMETERS[kind]))
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
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
