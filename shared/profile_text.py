"""A print run's profile as CGATS.17 text, as `shared.profile` reads it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from shared.profile import PrintProfile


def profile_text(profile: PrintProfile, *, names: Mapping[str, str], descriptor: str, originator: str) -> str:
    """The text; ``names``: colour names by patch id, the id itself where there is none."""
    return "\n".join(_lines(profile, names, (originator, descriptor))) + "\n"


def _lines(profile: PrintProfile, names: Mapping[str, str], said: tuple[str, str]) -> Iterator[str]:
    nanometres = [] if profile.wavelengths is None else profile.wavelengths.tolist()
    fields = ["SAMPLE_ID", "SAMPLE_NAME", "LAB_L", "LAB_A", "LAB_B", *(f"SPECTRAL_NM{w:.0f}" for w in nanometres)]
    yield from ("CGATS.17", f'ORIGINATOR "{_plain(said[0])}"', f'DESCRIPTOR "{_plain(said[1])}"')
    yield from ('KEYWORD "PRINT_RUN"', f'PRINT_RUN "{profile.run}"')
    yield 'MEASUREMENT_SOURCE "Illumination=D50 ObserverAngle=2"'
    yield from (f"NUMBER_OF_FIELDS {len(fields)}", "BEGIN_DATA_FORMAT", " ".join(fields), "END_DATA_FORMAT")
    yield from (f"NUMBER_OF_SETS {len(profile.ids)}", "BEGIN_DATA")
    for i, name in enumerate(profile.ids):
        spectrum = [] if profile.spectra is None else profile.spectra[i].tolist()
        numbers = [*(f"{v:.2f}" for v in profile.lab[i].tolist()), *(f"{v:.4f}" for v in spectrum)]
        yield "\t".join([name, _plain(names.get(name, name)), *numbers])
    yield "END_DATA"


def _plain(text: str) -> str:
    """Without what would end a cell or a quoted string."""
    return " ".join(text.replace('"', "'").split())
