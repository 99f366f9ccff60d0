"""Writes shared/data/camera-10nm.csv: the sensitivities of a measured camera, 400 to 700 nm every 10 nm.

Run once by hand: ``python tests/data/make_camera_table.py``. Takes the measurement of Darrodi et al. (2015) as the
library colour-science (BSD-3-Clause) carries it; the product itself reads the CSV only.
"""

from __future__ import annotations

from pathlib import Path

import colour

TARGET = Path(__file__).parents[2] / "shared" / "data" / "camera-10nm.csv"
HEADER = (
    "# Spectral sensitivities of a camera, each channel's highest 1.\n"
    "# Source: Darrodi, Finlayson, Goodman, Mackiewicz, J. Opt. Soc. Am. A 32:381, 2015, as tabulated in\n"
    f"# colour-science {colour.__version__} (BSD-3-Clause, Copyright Colour Developers).\n"
)


def main() -> None:
    """Write the table."""
    measured = colour.MSDS_CAMERA_SENSITIVITIES["Nikon 5100 (NPL)"]
    lines = ["nm,red,green,blue"]
    for nm in range(400, 701, 10):
        values = ",".join(f"{max(v, 0.0):.4f}" for v in measured[float(nm)] / measured.values.max(axis=0))
        lines.append(f"{nm},{values}")
    TARGET.write_text(HEADER + "\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
