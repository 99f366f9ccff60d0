"""Print profiles: the same sheet in every dialect of CGATS.17, and every way a sheet can be wrong.

The sheet is made here from the default card: greys of flat reflectance, whose CIELAB colour-science states.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import colour as reference
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shared.card import default_card
from shared.colour import WAVELENGTHS_NM, Array, delta_e_2000, reflectance_to_xyz, xyz_to_lab
from shared.errors import FileError, MismatchError
from shared.profile import PrintProfile, nominal, profile_text, read_profile

CARD = default_card()
IDS = (*CARD.patch_ids, "BED", "PAPER")


@dataclass(frozen=True)
class Dialect:
    """How a sheet is written down; the numbers stay the same."""

    end: str = "\n"
    separator: str = "\t"
    comma: bool = False
    quoted: bool = False
    spectral: str = "SPECTRAL_NM{}"
    encoding: str = "utf-8"
    percent: bool = False
    extra: str = ""
    backwards: bool = False

    def write(self, path: Path, columns: dict[str, list[str]]) -> Path:
        names = [n if not n.isdecimal() else self.spectral.format(n) for n in columns]
        rows = [[self.cell(n, v) for n, v in zip(columns, row, strict=True)]
                for row in zip(*columns.values(), strict=True)]
        if self.backwards:
            names, rows = names[::-1], [row[::-1] for row in rows]
        lines = ["CGATS.17", 'KEYWORD "PRINT_RUN"', 'PRINT_RUN "12"', *filter(None, [self.extra]), "",
                 "BEGIN_DATA_FORMAT", self.separator.join(names), "END_DATA_FORMAT", f"NUMBER_OF_SETS {len(rows)}",
                 "BEGIN_DATA", *(self.separator.join(row) for row in rows), "END_DATA"]
        path.write_bytes((self.end.join(lines) + self.end).encode(self.encoding))
        return path

    def cell(self, name: str, value: str) -> str:
        if name.isdecimal() and self.percent:
            value = f"{100 * float(value):.6g}"
        if name == "SAMPLE_ID":
            return f'"{value}"' if self.quoted else value
        return value.replace(".", ",") if self.comma else value


def spectral_sheet() -> dict[str, list[str]]:
    """Flat reflectances with their CIELAB: L* of Y alone, a* and b* zero but for the D50 of the tables."""
    levels = np.linspace(0.05, 0.9, len(IDS))
    lab = reference.XYZ_to_Lab(levels[:, None] * np.array([0.96422, 1.0, 0.82521]), np.array([0.3457, 0.3585]))
    columns = {"SAMPLE_ID": list(IDS)} | {n: [f"{v:.2f}" for v in c]
                                          for n, c in zip(("LAB_L", "LAB_A", "LAB_B"), lab.T, strict=True)}
    return columns | {str(nm): [f"{v:.4f}" for v in levels] for nm in range(400, 701, 10)}


def nominal_sheet() -> dict[str, list[str]]:
    lab = nominal(CARD).lab
    return {"SAMPLE_ID": list(IDS), **{n: [f"{v:.2f}" for v in c]
                                       for n, c in zip(("LAB_L", "LAB_A", "LAB_B"), lab.T, strict=True)}}


dialects = st.builds(
    Dialect, end=st.sampled_from(["\n", "\r", "\r\n"]), separator=st.sampled_from(["\t", " ", "   ", " \t"]),
    comma=st.booleans(), quoted=st.booleans(), percent=st.booleans(), backwards=st.booleans(),
    spectral=st.sampled_from(["SPECTRAL_NM{}", "SPECTRAL_{}", "spectral_nm_{}", "NM{}", "nm_{}", "R_{}nm", "{}"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1"]),
    extra=st.sampled_from(["", "# a remark", 'DESCRIPTOR "größer, 23 °C"',
                           'MEASUREMENT_SOURCE "Illumination=D50 ObserverAngle=2 WhiteBase=Abs Filter=No"']),
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=60)
@given(dialect=dialects)
def test_one_sheet_in_any_dialect(dialect: Dialect, tmp_path: Path) -> None:
    plain = read_profile(Dialect().write(tmp_path / "plain.txt", spectral_sheet()))
    other = read_profile(dialect.write(tmp_path / "other.txt", spectral_sheet()))
    assert (other.run, other.ids) == (plain.run, plain.ids) == (12, IDS)
    assert other.lab == pytest.approx(plain.lab)
    assert other.spectra == pytest.approx(plain.spectra, abs=1e-9)
    assert dialect.percent or other.id == plain.id


def test_names_with_spaces_between_tabs(tmp_path: Path) -> None:
    sheet = {"SAMPLE_NAME": ["dark grey"] * len(IDS), **nominal_sheet()}
    profile = read_profile(Dialect().write(tmp_path / "sheet.txt", sheet))
    assert profile.ids == IDS
    assert profile.spectra is None
    assert profile.spectra_of(["BED"]) is None


def test_lab_from_spectra_alone(tmp_path: Path) -> None:
    sheet = {n: c for n, c in spectral_sheet().items() if not n.startswith("LAB")}
    stated = read_profile(Dialect().write(tmp_path / "both.txt", spectral_sheet()))
    computed = read_profile(Dialect().write(tmp_path / "spectra.txt", sheet))
    assert delta_e_2000(computed.lab, stated.lab).max() < 0.05


def test_spectra_at_other_wavelengths_are_resampled(tmp_path: Path) -> None:
    sheet = {n: c for n, c in spectral_sheet().items() if not n.isdecimal()}
    slope = {str(nm): [f"{0.2 + (nm - 380) / 1000:.4f}"] * len(IDS) for nm in range(380, 731, 5)}
    lab = xyz_to_lab(reflectance_to_xyz(0.2 + (WAVELENGTHS_NM - 380) / 1000, "D50"))
    sheet |= {n: [f"{v:.2f}"] * len(IDS) for n, v in zip(("LAB_L", "LAB_A", "LAB_B"), lab, strict=True)}
    spectra = read_profile(Dialect().write(tmp_path / "sheet.txt", sheet | slope)).spectra_of(["A0", "PAPER"])
    assert spectra == pytest.approx(np.tile(0.2 + (WAVELENGTHS_NM - 380) / 1000, (2, 1)), abs=1e-4)


def test_nominal_colours_are_used_and_flagged() -> None:
    profile = nominal(CARD)
    profile.check_against(CARD)
    assert not profile.measured
    assert profile.from_design(CARD) == pytest.approx(0.0)
    assert profile.lab_of(["A0"])[0] == pytest.approx(CARD.nominal_lab()[0])


def test_a_sheet_of_the_card_belongs_to_it(tmp_path: Path) -> None:
    profile = read_profile(Dialect().write(tmp_path / "sheet.txt", nominal_sheet()))
    profile.check_against(CARD)
    assert profile.measured
    assert profile.from_design(CARD).max() < 0.02


def without(name: str) -> PrintProfile:
    whole = nominal(CARD)
    kept = [i for i, n in enumerate(IDS) if n != name]
    return replace(whole, run=3, ids=tuple(IDS[i] for i in kept), lab=whole.lab[kept])


def shuffled(lab: Array) -> Array:
    return np.roll(lab, 1, axis=0)


@pytest.mark.parametrize(("profile", "said"), [
    (without("B3"), "profile of print run 3 and card 'A6 bench card': the profile lacks patches of the card; found B3"),
    (without("PAPER"), "lacks patches of the card; found PAPER"),
    (replace(nominal(CARD), ids=(*IDS, "Z1"), lab=np.vstack([nominal(CARD).lab, [50, 0, 0]])), "not have; found Z1"),
    (replace(nominal(CARD), lab=shuffled(nominal(CARD).lab)), "the measured colours are not those of this card"),
])
def test_a_profile_of_another_card_is_reported(profile: PrintProfile, said: str) -> None:
    with pytest.raises(MismatchError) as error:
        profile.check_against(CARD)
    assert said in error.value.message


@pytest.mark.parametrize(("edit", "said"), [
    (lambda t: t.replace('PRINT_RUN "12"', ""), "PRINT_RUN is not the number of a print run; found no such keyword"),
    (lambda t: t.replace('PRINT_RUN "12"', 'PRINT_RUN "seven"'), "found 'seven'; allowed: a whole number from"),
    (lambda t: t.replace('PRINT_RUN "12"', 'PRINT_RUN "146"'), "allowed: a whole number from 0 to 145"),
    (lambda t: t.replace("END_DATA\n", ""), "the line END_DATA is missing"),
    (lambda t: t[: len(t) // 2], "the line END_DATA is missing"),
    (lambda t: t.replace("\nBED\t", "\nA0\t"), "txt:50: patch A0 is listed twice; found also at "),
    (lambda t: t.replace("NUMBER_OF_SETS 42", "NUMBER_OF_SETS 43"), "found 43 stated, 42 in the table"),
    (lambda t: t.replace("\nA1\t", "\nA1\t1.0\t"),
     "txt:11: the line does not have one cell for each field; found 36 cells"),
    (lambda t: t.replace("LAB_A", "LAB_L"), "a field occurs twice in the data format; found LAB_L"),
    (lambda t: t.replace("SAMPLE_ID", "PATCH"), "the data format has no SAMPLE_ID"),
    (lambda t: t.replace("LAB_", "XYZ_").replace("SPECTRAL_", "OTHER_"), "neither CIELAB nor spectra"),
    (lambda t: t.replace("A0\t26.73", "A0\tabc"), "txt:10: LAB_L is not a number; found 'abc'"),
    (lambda t: t.replace("A0\t26.73", "A0\tnan"), "txt:10: LAB_L is not a number; found 'nan'"),
    (lambda t: t.replace("A0\t26.73", "A0\t-5"), "txt:10: the colour is impossible; found L*a*b* [-5.0,"),
    (lambda t: t.replace("A0\t26.73", "A0\t36.73"), "txt:10: L*a*b* and spectrum of the patch disagree; found a diff"),
    (lambda t: t.replace("0.0500", "-0.500", 1), "txt:10: the reflectance is impossible; found -0.5 to 0.05"),
    (lambda t: t.replace("NM69", "PM69").replace("NM70", "PM70").replace("NM68", "PM68"), "do not cover the visible"),
    (lambda t: t.replace('PRINT_RUN"\n', 'PRINT_RUN"\nMEASUREMENT_SOURCE "Illumination=D65 ObserverAngle=2"\n'),
     "not for D50 and the 2 degree observer; found MEASUREMENT_SOURCE Illumination=D65"),
    (lambda t: t.replace('PRINT_RUN"\n', 'PRINT_RUN"\nWEIGHTING_FUNCTION "OBSERVER, 10 degree"\n'), "not for D50"),
    (lambda t: t.replace("BEGIN_DATA\n", "").replace("END_DATA\n", "END_DATA\nBEGIN_DATA\n"), "out of order"),
    (lambda _: "a shopping list\n", "the line BEGIN_DATA_FORMAT is missing"),
    (lambda _: "", "the line BEGIN_DATA_FORMAT is missing"),
    (lambda _: "CGATS\0\1\2", "is not a text file"),
    (lambda _: "BEGIN_DATA_FORMAT\nSAMPLE_ID\nEND_DATA_FORMAT\nBEGIN_DATA\nEND_DATA\n", "table contains no patches"),
])
def test_a_wrong_sheet_is_reported(edit: Callable[[str], str], said: str, tmp_path: Path) -> None:
    path = Dialect().write(tmp_path / "sheet.txt", spectral_sheet())
    good = path.read_text()
    path.write_text(edit(good))
    assert path.read_text() != good
    with pytest.raises(FileError) as error:
        read_profile(path)
    assert error.value.message.startswith(str(path))
    assert said in error.value.message


def test_a_missing_sheet_is_reported(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="cannot be read"):
        read_profile(tmp_path)


@given(st.binary(max_size=400))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
def test_no_bytes_break_the_reader(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "sheet.txt").write_bytes(data)
    with pytest.raises(FileError):
        read_profile(tmp_path / "sheet.txt")


def written(profile: PrintProfile, path: Path, *, descriptor: str = "d") -> PrintProfile:
    names = {p.id: p.colour for p in default_card().patches}
    path.write_text(profile_text(profile, names=names, descriptor=descriptor, originator="o"), encoding="utf-8")
    return read_profile(path)


def test_a_measured_profile_survives_a_round_trip(sample_profile: PrintProfile, tmp_path: Path) -> None:
    """The instrument's file has as many digits as ours, so that even the identity is the same."""
    assert written(sample_profile, tmp_path / "p.txt").id == sample_profile.id


def test_a_profile_without_spectra_survives_a_round_trip(tmp_path: Path) -> None:
    plain = nominal(default_card())
    back = written(PrintProfile(run=12, ids=plain.ids, lab=plain.lab), tmp_path / "p.txt")
    assert back.run == 12
    assert back.spectra is None
    assert back.lab == pytest.approx(np.round(plain.lab, 2), abs=1e-9)


def test_quotes_and_line_ends_in_words_do_no_harm(sample_profile: PrintProfile, tmp_path: Path) -> None:
    back = written(sample_profile, tmp_path / "p.txt", descriptor='the "good" card\nBEGIN_DATA')
    assert back.id == sample_profile.id
