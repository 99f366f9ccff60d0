"""Which libraries decoded a photograph and computed its values: another version may change a last digit.

So may another processor: the libraries choose their code by what it can do. On the sample photographs that moved
values by some 1e-6 of themselves and covariances by 1e-3, and no printed digit.
"""

from __future__ import annotations

import platform
from functools import cache
from importlib.metadata import version


@cache
def libraries() -> dict[str, str]:
    """Version by name, and the kind of processor with what of it the libraries use."""
    import cv2
    import numpy as np
    import PIL

    return {"numpy": np.__version__, "opencv": cv2.__version__, "pillow": PIL.__version__,
            "pi-heif": version("pi-heif"), "python": platform.python_version(),
            "processor": f"{platform.machine()} {_used(cv2.getCPUFeaturesLine())}".strip()}


def _used(features: str) -> str:
    """Those of OpenCV's list that are there: it marks others with a question mark, and optional ones with a star."""
    return " ".join(name.lstrip("*") for name in features.split() if not name.endswith("?"))
