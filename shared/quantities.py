"""Numbers with units as people write them, to floats in the analyte's own unit, and back.

pint and the registry are imported only when a unit other than the analyte's own must be read.
"""

from __future__ import annotations

import re
from math import isfinite

from shared.analytes import ANALYTES, Analyte
from shared.errors import QuantityError

#: Analytes counted as CaCO3. There "ppm" is mg/L as CaCO3 (common practice, no source), and a plain "mg/L"
#: is refused: it does not say what was weighed.
_AS_CACO3 = frozenset({"hardness", "alkalinity"})

#: What people write (lower case, u for micro) and the registry's unit; {} takes the species weighed.
_MASS = {"mg/l": "mg{}/L", "g/l": "g{}/L", "ug/l": "ug{}/L", "ppm": "mg{}/L", "ppb": "ug{}/L"}
_AMOUNT = {"mmol/l": "mmol/L", "umol/l": "umol/L", "meq/l": "meq/L", "mval/l": "meq/L"}
_DEGREES = {
    "°dh": "dH", "dh": "dH", "°dkh": "dH", "dkh": "dH", "°fh": "fH", "fh": "fH",
    "°e": "clark", "°clark": "clark", "clark": "clark", "gpg": "gpg", "gr/gal": "gpg",
}
#: Units of what is not a concentration of one species.
_PLAIN: dict[str, dict[str, str]] = {
    "ph": {"": "pH", "ph": "pH"},
    "tds": {"mg/l": "mg/L", "g/l": "g/L", "ppm": "mg/L"},
    "temperature": {"°c": "degC", "c": "degC", "°f": "degF", "f": "degF", "k": "K"},
    "conductivity": {"us/cm": "uS/cm", "ms/cm": "mS/cm", "ms/m": "mS/m"},
}

_NUMBER = re.compile(r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?)\s*(\D.*)?")
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
_WEIGHED_FIRST = re.compile(r"([mu]?g) ?([a-z]\w*)/l", re.IGNORECASE)
_LOOK_ALIKE = str.maketrans({
    "µ": "u", "μ": "u", "º": "°", "˚": "°", "\u00a0": " ", "\u202f": " ", "\u2212": "-",
    **{chr(ord("₀") + i): str(i) for i in range(10)},
})


def read_quantity(text: str, analyte_id: str, *, where: str = "value") -> float:
    """A number with its unit, as "60 mg/L CaCO3" or "3,4 °dH", in the analyte's own unit."""
    analyte = _analyte(analyte_id, where)
    plain = text.translate(_LOOK_ALIKE).strip()
    parts = _NUMBER.fullmatch(plain.removeprefix("pH").strip() if analyte_id == "ph" else plain)
    if parts is None:
        raise _refused(analyte, "is not a number with a unit", text, where)
    if _THOUSANDS.fullmatch(parts[1]):
        raise _refused(analyte, "can be read two ways: a decimal comma, or thousands", text, where)
    return convert(float(parts[1].replace(",", ".")), analyte_id, parts[2] or "", where=where)


def convert(value: float, analyte_id: str, unit: str, *, where: str = "value") -> float:
    """A number given in ``unit``, in the analyte's own unit, checked against its limits."""
    analyte = _analyte(analyte_id, where)
    own = value if unit == analyte.unit else _between(value, analyte, unit, analyte.unit, where)
    if not (isfinite(own) and analyte.lower <= own <= analyte.upper):
        raise QuantityError(f"this {analyte.name} is impossible", where=where,
                            found=f"{value:g} {unit}".strip(),
                            allowed=f"{analyte.lower:g} to {analyte.upper:g} {analyte.unit}",
                            remedy="check the number and its unit")
    return own


def express(value: float, analyte_id: str, unit: str, *, where: str = "unit") -> float:
    """A value in the analyte's own unit, given in ``unit``: the inverse of `convert`, without its limits."""
    analyte = _analyte(analyte_id, where)
    return value if unit == analyte.unit else _between(value, analyte, analyte.unit, unit, where)


def units_of(analyte_id: str) -> tuple[str, ...]:
    """The units a value may be given in, as they are shown to people."""
    own = ANALYTES[analyte_id].unit
    if analyte_id in _PLAIN:
        return {"ph": (own,), "tds": (own, "g/L", "ppm"), "temperature": (own, "°F", "K"),
                "conductivity": (own, "mS/cm", "mS/m")}[analyte_id]
    from shared.units import SPECIES

    degrees = ("ppm", "°dH", "°fH", "°e", "gpg") if analyte_id in _AS_CACO3 else ()
    return (*(f"mg/L {species}" for species in SPECIES[analyte_id]), "mmol/L", "meq/L", *degrees)


def _between(value: float, analyte: Analyte, given: str, wanted: str, where: str) -> float:
    a, b = (_registry_unit(analyte, unit, where) for unit in (given, wanted))
    if a == b:
        return value
    from shared.units import convert_units

    return convert_units(value, a, b, analyte.id)


def _analyte(analyte_id: str, where: str) -> Analyte:
    if analyte_id not in ANALYTES:
        raise QuantityError("no such analyte", where=where, found=repr(analyte_id),
                            allowed=", ".join(ANALYTES))
    return ANALYTES[analyte_id]


def _refused(analyte: Analyte, what: str, found: str, where: str) -> QuantityError:
    example = "7.2" if analyte.id == "ph" else f"20 {analyte.unit}"
    return QuantityError(f"the value of {analyte.name} {what}", where=where, found=found or "nothing",
                         allowed="a number and one of " + ", ".join(units_of(analyte.id)),
                         remedy=f'write it like "{example}"')


def _registry_unit(analyte: Analyte, unit: str, where: str) -> str:
    """A unit as people write it, as the registry spells it."""
    text = re.sub(r"\bas\b|[()]", " ", unit.translate(_LOOK_ALIKE)).strip()
    name, _, weighed = _WEIGHED_FIRST.sub(r"\1/l \2", text).partition(" ")
    found = _spelling(analyte, name.lower(), weighed.replace(" ", "").lower())
    if found is None:
        vague = analyte.id in _AS_CACO3 and name.lower() in _MASS and not weighed
        problem = "does not say what was weighed" if vague else "has a unit not known for it"
        raise _refused(analyte, problem if unit else "has no unit", unit or "a bare number", where)
    return found


def _spelling(analyte: Analyte, name: str, weighed: str) -> str | None:
    if analyte.id in _PLAIN:
        return None if weighed else _PLAIN[analyte.id].get(name)
    if name in _MASS:
        species = _species(analyte, name, weighed)
        return _MASS[name].format(species) if species else None
    degrees = _DEGREES if analyte.id in _AS_CACO3 else {}
    return None if weighed else {**_AMOUNT, **degrees}.get(name)


def _species(analyte: Analyte, name: str, weighed: str) -> str | None:
    """What was weighed: as written, charge aside; unwritten, the analyte's own where that is clear."""
    own = analyte.unit.split()[-1]
    if not weighed:
        return None if analyte.id in _AS_CACO3 and name != "ppm" else own
    if weighed == own.lower():
        return own
    from shared.units import SPECIES

    known = {s.lower(): s for s in SPECIES[analyte.id]}
    spellings = (weighed, weighed.rstrip("+-"), re.sub(r"\d?[+-]+$", "", weighed))
    return next((known[s] for s in spellings if s in known), None)
