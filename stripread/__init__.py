"""Water test strips read from photographs, and what the values mean for an espresso machine.

The names below are imported when first used, so that ``import stripread`` costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from calibration.chart import Chart, load_chart, save_chart
    from shared.errors import InputError
    from shared.text import format_estimate
    from stripread.api import assess, calibrate, read_photo
    from stripread.reading.combine import combine
    from stripread.reading.result import ManualLocation, Reading
    from stripread.version import __version__

#: Where each public name lives.
_WHERE = {
    "Chart": "calibration.chart", "load_chart": "calibration.chart", "save_chart": "calibration.chart",
    "InputError": "shared.errors", "format_estimate": "shared.text",
    "assess": "stripread.api", "calibrate": "stripread.api", "read_photo": "stripread.api",
    "combine": "stripread.reading.combine", "ManualLocation": "stripread.reading.result",
    "Reading": "stripread.reading.result", "__version__": "stripread.version",
}

__all__ = ["Chart", "InputError", "ManualLocation", "Reading", "__version__", "assess", "calibrate", "combine",
           "format_estimate", "load_chart", "read_photo", "save_chart"]


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"stripread has no {name!r}; it has {', '.join(__all__)}")
    return getattr(import_module(_WHERE[name]), name)
