"""Molar masses, and mg/L as CaCO3.

Masses from the IUPAC conventional atomic weights (Ca 40.078, Mg 24.305, Na 22.9898, K 39.0983, Cl 35.453,
S 32.06, C 12.011, O 15.999, H 1.008). Hydrates are listed apart: the same salt with and without its
crystal water differs by a third to a half in mass.
"""

from __future__ import annotations

from typing import Final

#: g/mol
CA: Final = 40.078
MG: Final = 24.305
NA: Final = 22.9898
K: Final = 39.0983
CL: Final = 35.453
SO4: Final = 96.056
CO2: Final = 44.009
HCO3: Final = 61.016
CO3: Final = 60.008
CACO3: Final = 100.086

#: mg/L as CaCO3 that one mol/L of Ca or Mg counts for; one eq/L counts for half of it.
MG_CACO3_PER_MOL: Final = 1000.0 * CACO3
MG_CACO3_PER_EQ: Final = 500.0 * CACO3
