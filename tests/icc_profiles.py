"""ICC profiles (ICC.1:2022, matrix/TRC) written byte by byte; their colorants are those of colour-science."""

import struct

import colour
import numpy as np

#: White of the profile connection space, as ICC.1:2022, 7.2.16 rounds it.
PCS_WHITE = (0.9642, 1.0, 0.8249)


def _s15_fixed16(*values: float) -> bytes:
    return struct.pack(f">{len(values)}i", *(round(v * 65536) for v in values))


def srgb_curve() -> bytes:
    """The curve of IEC 61966-2-1, which Display P3 shares, as a parametric curve of type 3."""
    return b"para\0\0\0\0" + struct.pack(">HH", 3, 0) + _s15_fixed16(2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)


def sampled_srgb_curve(count: int = 1024) -> bytes:
    """The same curve as a table, as version 2 profiles contain it."""
    linear = colour.models.eotf_sRGB(np.linspace(0, 1, count))
    return b"curv\0\0\0\0" + struct.pack(">I", count) + np.rint(linear * 65535).astype(">u2").tobytes()


def gamma_curve(gamma: float) -> bytes:
    """A power law; Adobe RGB (1998) has 2.19921875."""
    return b"curv\0\0\0\0" + struct.pack(">IH", 1, round(gamma * 256))


def parametric(kind: int, *parameters: float) -> bytes:
    """A parametric curve of that function type (ICC.1:2022, 10.18)."""
    return b"para\0\0\0\0" + struct.pack(">HH", kind, 0) + _s15_fixed16(*parameters)


def matrix_profile(space: str, curve: bytes) -> bytes:
    """A display profile of one of colour-science's RGB spaces, adapted to the PCS by Bradford."""
    rgb = colour.RGB_COLOURSPACES[space]
    white = colour.xy_to_XYZ(rgb.whitepoint)
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(white, np.array(PCS_WHITE), transform="Bradford")
    colorants = (adapt @ rgb.matrix_RGB_to_XYZ).T
    named = zip((b"rXYZ", b"gXYZ", b"bXYZ"), colorants, strict=True)
    name = space.encode() + b"\0"
    tags = {
        b"desc": b"desc\0\0\0\0" + struct.pack(">I", len(name)) + name + b"\0" * 78, b"cprt": b"text\0\0\0\0none\0",
        b"wtpt": b"XYZ \0\0\0\0" + _s15_fixed16(*PCS_WHITE),
        **{key: b"XYZ \0\0\0\0" + _s15_fixed16(*xyz) for key, xyz in named},
        **dict.fromkeys((b"rTRC", b"gTRC", b"bTRC"), curve)}
    return _with_header(tags)


def _with_header(tags: dict[bytes, bytes]) -> bytes:
    table, body = b"", b""
    for key, content in tags.items():
        table += key + struct.pack(">II", 132 + 12 * len(tags) + len(body), len(content))
        body += content + b"\0" * (-len(content) % 4)
    size = 132 + len(table) + len(body)
    header = struct.pack(">I4xI4s4s4s12x4s28x", size, 0x02400000, b"mntr", b"RGB ", b"XYZ ", b"acsp")
    return header + _s15_fixed16(*PCS_WHITE) + b"\0" * 48 + struct.pack(">I", len(tags)) + table + body


def display_p3() -> bytes:
    """The profile that phones embed."""
    return matrix_profile("Display P3", srgb_curve())


def adobe_rgb() -> bytes:
    """The profile of many cameras."""
    return matrix_profile("Adobe RGB (1998)", gamma_curve(2.19921875))
