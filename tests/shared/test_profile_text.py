from pathlib import Path

import numpy as np
import pytest

from shared.card import default_card
from shared.profile import PrintProfile, nominal, profile_text, read_profile


def written(profile: PrintProfile, path: Path, *, descriptor: str = "d") -> PrintProfile:
    names = {p.id: p.colour for p in default_card().patches}
    path.write_text(profile_text(profile, names=names, descriptor=descriptor, originator="o"), encoding="utf-8")
    return read_profile(path)


def test_a_measured_profile_comes_back_as_itself(sample_profile: PrintProfile, tmp_path: Path) -> None:
    """The instrument's file has as many digits as ours, so that even the identity is the same."""
    assert written(sample_profile, tmp_path / "p.txt").id == sample_profile.id


def test_a_profile_without_spectra_comes_back(tmp_path: Path) -> None:
    plain = nominal(default_card())
    back = written(PrintProfile(run=12, ids=plain.ids, lab=plain.lab), tmp_path / "p.txt")
    assert back.run == 12
    assert back.spectra is None
    assert back.lab == pytest.approx(np.round(plain.lab, 2), abs=1e-9)


def test_quotes_and_line_ends_in_words_do_no_harm(sample_profile: PrintProfile, tmp_path: Path) -> None:
    back = written(sample_profile, tmp_path / "p.txt", descriptor='the "good" card\nBEGIN_DATA')
    assert back.id == sample_profile.id
