"""The plan that ships, as it is and after a day's work, and ways to change it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from calibration.standards_plan.preparation import Preparation, prepare

ROOT = Path(__file__).parents[3]
SHIPPED = (ROOT / "calibration" / "data" / "standards-plan.toml").read_text(encoding="utf-8")

TITRATION = """
[hypochlorite.titration]
pipette = "P25-1"
portion_ml = 25
burette = "B50-1"
thiosulfate_mol_l = 0.01
thiosulfate_tolerance = 0.00002
titres_ml = [8.55, 8.60, 8.55]
blank_ml = 0.05
"""

Plan = Callable[..., Path]


@pytest.fixture
def plan(tmp_path: Path) -> Plan:
    """Write the shipped plan with pieces of text replaced (old, new) and more at its end."""

    def write(*changes: tuple[str, str], more: str = "") -> Path:
        text = SHIPPED
        for old, new in changes:
            assert old in text, old
            text = text.replace(old, new, 1)
        path = tmp_path / "plan.toml"
        path.write_text(text + more, encoding="utf-8")
        return path

    return write


@pytest.fixture
def titrated(plan: Plan) -> Path:
    """The shipped plan with its hypochlorite titrated."""
    return plan(("expected_mg_l = 125\n", f"expected_mg_l = 125\n{TITRATION}"))


@pytest.fixture
def made(titrated: Path) -> Preparation:
    """The preparation of the titrated plan."""
    return prepare(titrated)
