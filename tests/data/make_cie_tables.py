"""Writes shared/data/cie-5nm.csv: the CIE 1931 2 degree observer and illuminants, 380 to 780 nm every 5 nm.

Run once by hand: ``python tests/data/make_cie_tables.py``. Takes the tables of CIE 15:2018 as the library
colour-science (BSD-3-Clause) carries them; the product itself reads the CSV only.
"""

from __future__ import annotations

from pathlib import Path

import colour
import numpy as np

TARGET = Path(__file__).parents[2] / "shared" / "data" / "cie-5nm.csv"
ILLUMINANTS = (
    "A", "E", "D50", "D55", "D65", "D75",
    *(f"FL{i}" for i in range(1, 13)),
    *(f"FL3.{i}" for i in range(1, 16)),
    *(f"HP{i}" for i in range(1, 6)),
    *(f"LED-B{i}" for i in range(1, 6)), "LED-BH1", "LED-RGB1", "LED-V1", "LED-V2",
)
HEADER = (
    "# CIE 1931 2 degree colour-matching functions and relative spectral powers of CIE illuminants.\n"
    f"# Source: CIE 15:2018 as tabulated in colour-science {colour.__version__} (BSD-3-Clause, "
    "Copyright Colour Developers).\n"
)


def main() -> None:
    """Write the table; every value is in the library's own tables, none is interpolated."""
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    lamps = [colour.SDS_ILLUMINANTS[name] for name in ILLUMINANTS]
    lines = [",".join(("nm", "x", "y", "z", *ILLUMINANTS))]
    for nm in np.arange(380.0, 781.0, 5.0):
        values = (nm, *observer[nm], *(lamp[nm] for lamp in lamps))
        lines.append(",".join(f"{v:.12g}" for v in values))
    TARGET.write_text(HEADER + "\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
