"""Numbers with units as people write them, to floats in the analyte's own unit, and back.

pint and the registry are imported only when a unit other than the analyte's own must be read.
"""

from __future__ import annotations

import re
from math import isfinite

from shared.analytes import ANALYTES, Analyte
from shared.errors import QuantityError

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
    """One spelling for signs that look alike: micro, degree, minus, spaces, subscript digits."""
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
    """The substance of a unit: as written, without charge; otherwise the analyte's own if unambiguous."""
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


_NUMBER = re.compile(r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?)\s*([^\d\s].*)?")
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")


def read_quantity(text: str, analyte_id: str, *, where: str = "value") -> float:
    """A number with its unit, as "60 mg/L CaCO3" or "3,4 °dH", in the analyte's own unit."""
    analyte = _analyte(analyte_id, where)
    written = plain(text)
    parts = _NUMBER.fullmatch(written.removeprefix("pH").strip() if analyte_id == "ph" else written)
    if parts is None:
        raise _refused(analyte, "is not a number with a unit", found=text, where=where)
    number, unit = parts[1], parts[2] or ""
    if _THOUSANDS.fullmatch(number):
        raise _refused(analyte, "can mean a decimal comma or thousands", found=text, where=where)
    return convert(float(number.replace(",", ".")), analyte_id, unit=unit, where=where)


def convert(value: float, analyte_id: str, *, unit: str, where: str = "value") -> float:
    """A number given in ``unit``, in the analyte's own unit, checked against its limits."""
    analyte = _analyte(analyte_id, where)
    own = _between(value, analyte, given=unit, wanted=analyte.unit, where=where)
    if not (isfinite(own) and analyte.lower <= own <= analyte.upper):
        raise QuantityError(f"this {analyte.name} is impossible", where=where,
                            found=f"{value:g} {unit}".strip(),
                            allowed=f"{analyte.lower:g} to {analyte.upper:g} {analyte.unit}",
                            remedy="check the number and its unit")
    return own


def express(value: float, analyte_id: str, *, unit: str, where: str = "unit") -> float:
    """A value in the analyte's own unit, given in ``unit``: the inverse of `convert`, without its limits."""
    analyte = _analyte(analyte_id, where)
    return _between(value, analyte, given=analyte.unit, wanted=unit, where=where)


def _between(value: float, analyte: Analyte, *, given: str, wanted: str, where: str) -> float:
    if given == wanted:
        return value
    ends = [_registry_unit(unit, analyte, where=where) for unit in (given, wanted)]
    if ends[0] == ends[1]:
        return value
    from shared.units import convert_units

    return convert_units(value, analyte.id, given=ends[0], wanted=ends[1])


def _registry_unit(unit: str, analyte: Analyte, *, where: str) -> str:
    candidate = registry_unit(unit, analyte)
    if candidate is None:
        problem = "has a unit that does not fit it, or does not state the substance" if unit else "has no unit"
        raise _refused(analyte, problem, found=unit or "a number without a unit", where=where)
    return candidate


def _analyte(analyte_id: str, where: str) -> Analyte:
    if analyte_id not in ANALYTES:
        raise QuantityError("no such analyte", where=where, found=repr(analyte_id),
                            allowed=", ".join(ANALYTES))
    return ANALYTES[analyte_id]


def _refused(analyte: Analyte, what: str, *, found: str, where: str) -> QuantityError:
    example = "7.2" if analyte.id == "ph" else f"20 {analyte.unit}"
    return QuantityError(f"the value of {analyte.name} {what}", where=where, found=found or "nothing",
                         allowed="a number and one of " + ", ".join(shown_units(analyte)),
                         remedy=f'write it like "{example}"')
