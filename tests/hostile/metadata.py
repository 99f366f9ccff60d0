"""Pictures whose pixels are sound and whose EXIF, text chunks or colour profile are not."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Iterator
from functools import cache
from typing import Any, Final

import numpy as np
from PIL import Image

from tests import icc_profiles
from tests.hostile.pictures import scene
from tests.photographs import file_of

#: What cameras with a broken clock write, and what no calendar has.
DATES: Final = ("0001:01:01 00:00:00", "0001:01:01 23:59:59", "9999:12:31 23:59:59", "0000:00:00 00:00:00",
                "2031:02:30 10:00:00", "2031:05:04 24:00:00", "2031:05:04 09:30:60", "-001:01:01 00:00:00",
                "2031-05-04T09:30:00", "    :  :     :  :  ", "\0" * 19, "\ud7ff" * 19, "9" * 4000, "")
#: Tags of TIFF 6.0 and Exif 2.32.
_MAKE, _EXIF_IFD, _ORIGINAL = 0x010F, 0x8769, 0x9003


def cases() -> Iterator[tuple[str, bytes]]:
    """Each case with its name; all of them show the same scene."""
    for date in DATES:
        stated = [_ascii(_ORIGINAL, date.encode() + b"\0")]
        yield f"date {date[:20]!r}", jpeg(tiff([_ascii(_MAKE, b"invented\0")], stated))
    for name, block in _blocks().items():
        yield f"JPEG, {name}", jpeg(block)
        yield f"PNG, {name}", png((b"eXIf", block))
    for name, chunks in _texts().items():
        yield f"PNG, {name}", png(*chunks)
    for name, profile in _profiles().items():
        yield f"PNG, {name}", png((b"iCCP", b"p\0\0" + zlib.compress(profile)))
        yield f"JPEG, {name}", _scene("JPEG", icc_profile=profile)


@cache
def _scene(form: str, **options: Any) -> bytes:
    return file_of(Image.fromarray(scene()), form, **options)


def jpeg(block: bytes) -> bytes:
    """The scene as JPEG with an EXIF segment (Exif 2.32, 4.5.4) of these bytes."""
    whole = _scene("JPEG", quality=80)
    body = b"Exif\0\0" + block[:65_000]
    return whole[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + whole[2:]


def png(*chunks: tuple[bytes, bytes]) -> bytes:
    """The scene as PNG with more chunks (ISO/IEC 15948, 5.3) ahead of its pixels."""
    whole = _scene("PNG")
    at = whole.index(b"IDAT") - 4
    more = b"".join(struct.pack(">I", len(b)) + k + b + struct.pack(">I", zlib.crc32(k + b)) for k, b in chunks)
    return whole[:at] + more + whole[at:]


def _ascii(tag: int, text: bytes, *, count: int | None = None) -> tuple[int, int, int, bytes]:
    return tag, 2, len(text) if count is None else count, text


def tiff(main: list[tuple[int, int, int, bytes]], exif: list[tuple[int, int, int, bytes]] | None = None) -> bytes:
    """An EXIF block: entries (tag, type, count, bytes) of the main directory and of the Exif one (TIFF 6.0, 2)."""
    entries = [*main, (_EXIF_IFD, 4, 1, b"")] if exif is not None else list(main)
    detail_at = 8 + _room(entries)
    entries = [(t, k, n, struct.pack("<I", detail_at) if t == _EXIF_IFD and not v else v) for t, k, n, v in entries]
    return b"II*\0\x08\0\0\0" + _directory(entries, 8) + (_directory(exif, detail_at) if exif is not None else b"")


def _room(entries: list[tuple[int, int, int, bytes]]) -> int:
    return 6 + 12 * len(entries) + sum(len(v) for *_, v in entries if len(v) > 4)


def _directory(entries: list[tuple[int, int, int, bytes]], at: int) -> bytes:
    rows, values, free = b"", b"", at + 6 + 12 * len(entries)
    for tag, kind, count, value in entries:
        held = value.ljust(4, b"\0") if len(value) <= 4 else struct.pack("<I", free + len(values))
        rows += struct.pack("<HHI", tag, kind, count) + held
        values += value if len(value) > 4 else b""
    return struct.pack("<H", len(entries)) + rows + b"\0\0\0\0" + values


def _blocks() -> dict[str, bytes]:
    """EXIF blocks that are none, or that point where nothing is."""
    good = tiff([_ascii(_MAKE, b"invented\0")], [_ascii(_ORIGINAL, b"2031:05:04 09:30:00\0")])
    pointing = {f"Exif directory at {at:#x}": tiff([(_EXIF_IFD, 4, 1, struct.pack("<I", at))])
                for at in (0, 8, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)}
    return pointing | {
        "no TIFF": b"this is not a TIFF header at all", "empty": b"", "two bytes": b"II",
        "header only": b"II*\0\x08\0\0\0",
        "cut": good[:40], "BigTIFF": b"II+\0\x08\0\0\0" + good[8:],
        "first directory at -1": good[:4] + b"\xff" * 4 + good[8:],
        "signed Exif offset": tiff([(_EXIF_IFD, 9, 1, struct.pack("<i", -2))]),
        "Exif offset as text": tiff([_ascii(_EXIF_IFD, b"xyz\0")]),
        "Exif offset as a fraction": tiff([(_EXIF_IFD, 5, 1, b"\0" * 8)]),
        "4 billion letters": tiff([_ascii(_MAKE, b"longer", count=0xFFFFFFFF)]),
        "65535 entries": b"II*\0\x08\0\0\0\xff\xff" + b"\x0f\x01\x02\0\x01\0\0\0abcd" * 4000,
        "make of numbers": tiff([(_MAKE, 12, 1, struct.pack("<d", 1e308))]),
        "orientation 65535": tiff([(0x0112, 3, 1, b"\xff\xff")]), "unknown type": tiff([(_MAKE, 99, 1, b"abcd")]),
        "date of bytes": tiff([], [(_ORIGINAL, 7, 4, b"\xff\xfe\0\0")])}


def _texts() -> dict[str, list[tuple[bytes, bytes]]]:
    """Text chunks that unpack to more than any text is, or are none."""
    bomb = zlib.compress(b"x" * 80_000_000)
    return {"zTXt bomb": [(b"zTXt", b"a\0\0" + bomb)],
            "many zTXt": [(b"zTXt", b"a\0\0" + zlib.compress(b"x" * 900_000))] * 90,
            "iTXt bomb": [(b"iTXt", b"a\0\1\0\0\0" + bomb)], "zTXt of noise": [(b"zTXt", b"a\0\0noise")],
            "zTXt of another method": [(b"zTXt", b"a\0\x07" + zlib.compress(b"x"))], "empty zTXt": [(b"zTXt", b"")],
            "iCCP bomb": [(b"iCCP", b"p\0\0" + bomb)], "iCCP of noise": [(b"iCCP", b"p\0\0noise")],
            "short pHYs": [(b"pHYs", b"\0")], "short cHRM": [(b"cHRM", b"\0\0")], "short gAMA": [(b"gAMA", b"")],
            "short sRGB": [(b"sRGB", b"")], "short tIME": [(b"tIME", b"\0")], "tRNS": [(b"tRNS", b"\0")],
            "acTL of no frames": [(b"acTL", b"\0" * 8)]}


def _profiles() -> dict[str, bytes]:
    """Matrix profiles whose curves or colorants no display has."""
    good = icc_profiles.display_p3()
    curves: dict[str, bytes] = {f"gamma {g}": icc_profiles.parametric(0, g) for g in (-1.0, -32768.0, 0.0, 32767.0)}
    curves |= {"divided by zero": icc_profiles.parametric(1, 2.4, 0.0, 0.0),
               "slope -1": icc_profiles.parametric(1, 2.4, -1.0, 0.5),
               "offset 30000": icc_profiles.parametric(4, 2.4, 1.0, 0.0, 1.0, 0.0, 30000.0, 30000.0),
               "falling": icc_profiles.parametric(4, 1.0, -1.0, 1.0, 0.0, 0.0, 0.0, 0.0),
               "type 9": icc_profiles.parametric(9, 1.0),
               "table of 4 billion": b"curv\0\0\0\0\xff\xff\xff\xff\0\0",
               "table of zeros": b"curv\0\0\0\0\0\0\0\x04" + b"\0" * 8,
               "gamma of table 0": icc_profiles.gamma_curve(0.0), "no curve": b"text\0\0\0\0none"}
    named = {f"curve {name}": icc_profiles.matrix_profile("Display P3", curve) for name, curve in curves.items()}
    return named | {
        "no header": b"not a profile", "cut": good[:200], "4 billion tags": good[:128] + b"\xff" * 4 + good[132:],
        "colorants of zero": _colorants(good, b"\0" * 12), "colorants of -32768": _colorants(good, b"\x80\0\0\0" * 3),
        "colorants at the limit": _colorants(good, b"\x7f\xff\xff\xff" * 3), "tags beyond the end": _beyond(good)}


def _colorants(profile: bytes, value: bytes) -> bytes:
    out = bytearray(profile)
    for at in range(132, len(out) - 20):
        if out[at:at + 8] == b"XYZ \0\0\0\0":
            out[at + 8:at + 20] = value
    return bytes(out)


def _beyond(profile: bytes) -> bytes:
    out = bytearray(profile)
    for row in range(struct.unpack_from(">I", profile, 128)[0]):
        struct.pack_into(">I", out, 132 + 12 * row + 4, 0xFFFFFFF0)
    return bytes(out)


def chained_tiff(directories: int = 200_000) -> bytes:
    """A sound TIFF whose directory is followed by very many others (TIFF 6.0, 2: offset of the next directory)."""
    whole = bytearray(file_of(Image.fromarray(scene()), "TIFF"))
    at = struct.unpack_from("<I", whole, 4)[0]
    entries = struct.unpack_from("<H", whole, at)[0]
    body = bytes(whole[at:at + 2 + 12 * entries])
    first = len(whole) + len(whole) % 2
    struct.pack_into("<I", whole, at + 2 + 12 * entries, first)
    chain = bytearray()
    for number in range(directories):
        following = first + (number + 1) * (len(body) + 4) if number + 1 < directories else 0
        chain += body + struct.pack("<I", following)
    return bytes(whole).ljust(first, b"\0") + bytes(chain)


def scan_after_scan(scans: int = 20_000, side: int = 4000) -> bytes:
    """A progressive JPEG whose last scan is repeated very often (ISO/IEC 10918-1, G.1): each costs a whole pass."""
    image = Image.fromarray(np.zeros((side, side, 3), np.uint8))
    whole = file_of(image, "JPEG", progressive=True, quality=30)
    at = whole.rindex(b"\xff\xda")
    return whole[:-2] + whole[at:-2] * scans + whole[-2:]


Case = Callable[[], bytes]
