"""The version of this program and of the libraries that decode photographs and compute values."""

from __future__ import annotations

from functools import cache
from typing import Final

__version__ = "0.1.0"
#: The name and version that this program writes into every reading.
SOFTWARE: Final = f"stripread {__version__}"


@cache
def libraries() -> dict[str, str]:
    """Return versions by name, and the processor with the features that the libraries use.

    Another version, or another processor, may change the last digits: on the sample photographs values changed by
    about 1e-6 of themselves and covariances by 1e-3, and no printed digit.
    """
    import platform
    from importlib.metadata import version

    import cv2
    import numpy as np
    import PIL

    return {"numpy": np.__version__, "opencv": cv2.__version__, "pillow": PIL.__version__,
            "pi-heif": version("pi-heif"), "python": platform.python_version(),
            "processor": f"{platform.machine()} {_used(cv2.getCPUFeaturesLine())}".strip()}


def _used(features: str) -> str:
    """Return the available features of OpenCV's list: "?" marks those that are not, "*" the optional ones."""
    return " ".join(name.lstrip("*") for name in features.split() if not name.endswith("?"))
