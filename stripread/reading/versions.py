"""Which libraries decoded a photograph and computed its values: another version may change a last digit."""

from __future__ import annotations

import platform
from functools import cache
from importlib.metadata import version


@cache
def libraries() -> dict[str, str]:
    """Version by name, and the kind of processor, for which the libraries choose their code."""
    import cv2
    import numpy as np
    import PIL

    return {"numpy": np.__version__, "opencv": cv2.__version__, "pillow": PIL.__version__,
            "pi-heif": version("pi-heif"), "python": platform.python_version(), "processor": platform.machine()}
