"""Units as people write them, as the registry of units spells them; for each analyte the ones that fit it."""

from __future__ import annotations

import re

from shared.analytes import Analyte

#: Analytes counted as CaCO3. There "ppm" is mg/L as CaCO3 (common practice, no source), and a plain "mg/L"
#: does not say what was weighed.
AS_CACO3 = frozenset({"hardness", "alkalinity"})
#: Analytes that degrees of hardness can state.
_IN_DEGREES = AS_CACO3 | {"calcium", "magnesium"}

#: What people write (lower case, u for micro) and the registry's unit; {} takes the species weighed.
_MASS = {"mg/l": "mg{}/L", "g/l": "g{}/L", "ug/l": "ug{}/L", "ppm": "mg{}/L", "ppb": "ug{}/L"}
_AMOUNT = {"mmol/l": "mmol/L", "umol/l": "umol/L", "meq/l": "meq/L", "mval/l": "meq/L"}
_DEGREES = {
    "°dh": "dH", "dh": "dH", "°dkh": "dH", "dkh": "dH", "°fh": "fH", "fh": "fH",
    "°e": "clark", "°clark": "clark", "clark": "clark", "gpg": "gpg", "gr/gal": "gpg",
}
#: Units of what is not a concentration of one species.
_PLAIN = {
    "ph": {"": "pH", "ph": "pH"},
    "tds": {"mg/l": "mg/L", "g/l": "g/L", "ppm": "mg/L"},
    "temperature": {"°c": "degC", "c": "degC", "°f": "degF", "f": "degF", "k": "K"},
    "conductivity": {"us/cm": "uS/cm", "ms/cm": "mS/cm", "ms/m": "mS/m"},
}
#: The same, as they are shown to people.
_PLAIN_SHOWN = {
    "ph": ("pH",), "tds": ("mg/L", "g/L", "ppm"), "temperature": ("°C", "°F", "K"),
    "conductivity": ("µS/cm", "mS/cm", "mS/m"),
}

_WEIGHED_FIRST = re.compile(r"([mu]?g) ?([a-z]\w*)/l", re.IGNORECASE)
_LOOK_ALIKE = str.maketrans({
    "µ": "u", "μ": "u", "º": "°", "˚": "°", "\u00a0": " ", "\u202f": " ", "\u2212": "-",
    **{chr(ord("₀") + i): str(i) for i in range(10)},
})


def plain(text: str) -> str:
    """One spelling for signs that look alike: micro, degree, minus, spaces, lowered digits."""
    return text.translate(_LOOK_ALIKE).strip()


def registry_unit(unit: str, analyte: Analyte) -> str | None:
    """The registry's name of a unit; None where it does not fit the analyte."""
    text = re.sub(r"\bas\b|[()]", " ", plain(unit)).strip()
    name, _, weighed = _WEIGHED_FIRST.sub(r"\1/l \2", text).lower().partition(" ")
    if name == "ppm" and not weighed and analyte.id in AS_CACO3:
        weighed = "CaCO3"
    if name in _MASS and analyte.id not in _PLAIN:
        species = _species(weighed, analyte)
        return _MASS[name].format(species) if species else None
    degrees = _DEGREES if analyte.id in _IN_DEGREES else {}
    return None if weighed else _PLAIN.get(analyte.id, {**_AMOUNT, **degrees}).get(name)


def _species(weighed: str, analyte: Analyte) -> str | None:
    """What was weighed: as written, charge aside; unwritten, the analyte's own where that is clear."""
    own = analyte.unit.split()[-1]
    if not weighed:
        return None if analyte.id in AS_CACO3 else own
    if weighed.lower() == own.lower():
        return own
    from shared.units import SPECIES

    known = {s.lower(): s for s in SPECIES[analyte.id]}
    written = weighed.replace(" ", "")
    spellings = (written, written.rstrip("+-"), re.sub(r"\d?[+-]+$", "", written))
    return next((known[s] for s in spellings if s in known), None)


def shown_units(analyte: Analyte) -> tuple[str, ...]:
    """The units a value of the analyte may be given in, as they are shown to people."""
    if analyte.id in _PLAIN_SHOWN:
        return _PLAIN_SHOWN[analyte.id]
    from shared.units import SPECIES

    masses = tuple(f"mg/L {species}" for species in SPECIES[analyte.id])
    ppm = ("ppm",) if analyte.id in AS_CACO3 else ()
    degrees = ("°dH", "°fH", "°e", "gpg") if analyte.id in _IN_DEGREES else ()
    return (*masses, *ppm, "mmol/L", "meq/L", *degrees)
