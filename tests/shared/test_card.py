"""The card and strip that ship, and every way a layout file can be wrong."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import msgspec
import numpy as np
import pytest

from shared.card import CODE_CELLS, RUNS, CardLayout, default_card, marker_cells, read_card
from shared.errors import FileError, MismatchError
from shared.files import content_hash, decode_json
from shared.strip import StripType, default_strip, read_strip

Json = dict[str, Any]
Change = Callable[[Json], object]


def changed(content: CardLayout | StripType, change: Change, path: Path) -> Path:
    layout = json.loads(msgspec.json.encode(content))
    change(layout)
    path.write_text(json.dumps(layout))
    return path


def test_the_default_card() -> None:
    card = default_card()
    assert card.size == (148, 105)
    assert len(card.patches) == 40
    assert card.marker_ids(7) == (28, 29, 30, 31)
    assert card.nominal_lab().shape == (40, 3)


@pytest.mark.parametrize("run", [-1, 146])
def test_no_markers_beyond_the_family(run: int) -> None:
    """AprilTag 36h11 has 587 codes (Olson, ICRA 2011): four a print run leave room for runs 0 to 145."""
    with pytest.raises(MismatchError, match="0 to 145"):
        default_card().marker_ids(run)


def test_identity_is_the_content_not_the_layout_of_the_file(tmp_path: Path) -> None:
    def shuffle(layout: Json) -> None:
        layout["name"] = layout.pop("name")
        layout["size"] = [148, 105.0]

    assert read_card(changed(default_card(), shuffle, tmp_path / "same.json")).id == default_card().id
    other = changed(default_card(), lambda c: c["patches"][3].update(x=54.5), tmp_path / "other.json")
    assert read_card(other).id != default_card().id
    assert content_hash(default_card()) == default_card().id


def test_a_byte_order_mark_does_not_matter() -> None:
    data = b"\xef\xbb\xbf" + msgspec.json.encode(default_strip())
    assert decode_json(data, StripType, where="strip") == default_strip()


@pytest.mark.parametrize(("change", "said"), [
    (lambda c: c.update(units="inch"), "units: is not valid; found 'inch'; allowed: 'mm'"),
    (lambda c: c.update(colour="red"), "unknown field `colour`; allowed: fields format, name, units"),
    (lambda c: c.pop("bed"), "missing required field `bed`"),
    (lambda c: c["patches"][2].update(wide=3), "patches[2]: unknown field `wide`; allowed: fields id"),
    (lambda c: c["patches"][1].update(x="left"), "patches[1].x: is not valid; found 'left'; allowed: a number"),
    (lambda c: c["patches"][1].update(srgb=[1, 2, 256]), "srgb [1, 2, 256] is not a colour"),
    (lambda c: c["patches"][1].update(w=0), "patch A1 is 0"),
    (lambda c: c["patches"][1].update(id="BED"), "a patch must not be named BED"),
    (lambda c: c["patches"][1].update(id="A0"), "more than once: A0"),
    (lambda c: c["patches"].clear(), "found none"),
    (lambda c: c["patches"][0].update(x=145), "patch A0 reaches outside the card of 148 x 105 mm: x 145 to 153"),
    (lambda c: c["patches"][0].update(y=46), "the bed and patch A0 overlap"),
    (lambda c: c["patches"][0].update(x=10, y=10), "marker 0 and patch A0 overlap"),
    (lambda c: c["patches"][0].update(x=35), "patch A0 and patch A1 overlap"),
    (lambda c: c["bed"].update(stop_x=2), "stop line (2) and axis (52.5) must lie on the bed"),
    (lambda c: c["markers"].update(side=-16), "side above 0"),
    (lambda c: c["markers"].update(family="other"), "markers.family: is not valid; found 'other'"),
    (lambda c: c["markers"]["top_left_corners"].pop(), "markers.top_left_corners: expected `array` of length 4"),
    (lambda c: c["scale_bar"].update(length=200), "scale_bar reaches outside"),
])
def test_a_wrong_card_is_reported(change: Change, said: str, tmp_path: Path) -> None:
    with pytest.raises(FileError) as error:
        read_card(changed(default_card(), change, tmp_path / "card.json"))
    assert error.value.message.startswith(str(tmp_path / "card.json"))
    assert said in error.value.message


@pytest.mark.parametrize(("change", "said"), [
    (lambda s: s.update(units="cm"), "units: is not valid; found 'cm'"),
    (lambda s: s["pads"][0].update(analyte="zinc"), "pads[0]: no such analyte: 'zinc'; allowed: hardness, "),
    (lambda s: s["pads"][0].update(unit="mg/L"), "hardness is stored in 'mg/L CaCO3', found unit 'mg/L'"),
    (lambda s: s["pads"][0].update(range=[425, 0]), "hardness has the range 425 to 0"),
    (lambda s: s["pads"][2].update(range=[6, 15]), "ph has the range 6 to 15"),
    (lambda s: s["pads"][2].update(valid_when={"calcium": [1, 2]}), "names calcium, but this strip has no pad for it"),
    (lambda s: s["pads"][2].update(valid_when={"alkalinity": [2, 1]}), "is not a valid range"),
    (lambda s: s["pads"][1].update(centre=9), "hardness and alkalinity overlap"),
    (lambda s: s["pads"][0].update(centre=1), "found -1.5 to 52.5"),
    (lambda s: s["pads"][1].update(analyte="hardness"), "more than once: hardness"),
    (lambda s: s["pads"].clear(), "found none"),
    (lambda s: s["pads"][0].update(intrinsic_u={"relative": -1, "absolute": 0}), "0 or more; found relative -1"),
    (lambda s: s["pads"][0].update(read_before_s=20), "hardness has the reading window 30 to 20 s"),
    (lambda s: s.update(length=4), "the width below the length"),
    (lambda s: s["blank"].update(centre=38), "chlorine and the blank overlap"),
])
def test_a_wrong_strip_is_reported(change: Change, said: str, tmp_path: Path) -> None:
    with pytest.raises(FileError) as error:
        read_strip(changed(default_strip(), change, tmp_path / "strip.json"))
    assert said in error.value.message


@pytest.mark.parametrize(("data", "said"), [
    (b"", "is not valid JSON; found an empty file"),
    (b'{\n  "format": \n}', "at line 3, column 1"),
    (b'{"format": "reference-card/1", ', "truncated"),
    (b"\xff\xd8\xff\xe0 a photograph", "is not valid JSON"),
    (b"[]", "expected `object`, got `array`"),
    (b"[" * 100_000, "is not valid JSON"),
])
def test_what_is_no_layout_is_reported(data: bytes, said: str, tmp_path: Path) -> None:
    (tmp_path / "card.json").write_bytes(data)
    with pytest.raises(FileError) as error:
        read_card(tmp_path / "card.json")
    assert said in error.value.message


def test_a_missing_file_is_reported(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="cannot be read; found No such file"):
        read_card(tmp_path / "none.json")


def test_windows_and_chemistry_of_a_pad(tmp_path: Path) -> None:
    def own_window(layout: Json) -> None:
        layout["pads"][4].update(read_after_s=10, read_before_s=20, intrinsic_u={"relative": 0.03, "absolute": 0.04})

    strip = read_strip(changed(default_strip(), own_window, tmp_path / "strip.json"))
    assert strip.window_s(strip.pad("chlorine")) == (10, 20)
    assert strip.window_s(strip.pad("hardness")) == (30, 90)
    assert strip.pad("chlorine").chemistry.u(1.0) == pytest.approx(0.05)
    with pytest.raises(KeyError, match="no pad for sulfate"):
        strip.pad("sulfate")


def test_table_is_the_detectors_dictionary() -> None:
    """The gate for every change of OpenCV: all 587 codes, in the orientation of OpenCV up to 5.0."""
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    assert len(family.bytesList) == 587 >= 4 * len(RUNS)
    for code in range(587):
        bits = cv2.aruco.Dictionary.getBitsFromByteList(family.bytesList[code : code + 1], CODE_CELLS)
        cells = marker_cells(code)
        assert np.array_equal(cells[1:-1, 1:-1], bits == 1)
        assert not cells[[0, -1]].any()
        assert not cells[:, [0, -1]].any()


def test_codes_differ_in_eleven_cells_in_every_orientation() -> None:
    """The 11 of 36h11 (Olson 2011): no turn of one code comes closer to another."""
    codes = np.array([marker_cells(code)[1:-1, 1:-1] for code in range(587)])
    for turn in range(4):
        turned = np.rot90(codes, turn, axes=(1, 2)).reshape(587, -1)
        apart = (turned[:, None] != codes.reshape(587, -1)).sum(axis=2)
        if turn == 0:
            np.fill_diagonal(apart, 36)
        assert apart.min() >= 11
