"""Every text is used, and every text used is there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import stripread.web
from stripread.store.reading_status import REVIEW_STATUS_NAMES
from stripread.web.rendering import OTHERS, PAGES
from stripread.web.static_files import TEXTS, joined_sections, load_messages

HOME = Path(str(stripread.web.__file__)).parent
SOURCES = "\n".join(f.read_text(encoding="utf-8") for f in HOME.rglob("*") if f.suffix in (".py", ".html", ".js"))
#: Sections whose texts are asked for by a name that the program has from elsewhere.
BY_VALUE = {"typed-method", "typed-use", "label-kind", "label-order",
            "scope", "role", "verdict", "menu", "refused", "review", "script", "analyte", "review-status", "outcome",
            "order", "section", "reason", "queue-order", "fault", "did", "again-outcome",
            "severity", "site-verdict", "site-order", "flow-step", "due-kind", "due-order",
            "edition", "report-order", "queue-script", "take-script", "later-script", "sending-script",
            "measure", "measure-action", "measure-unit", "measure-unknown", "hours", "task",
            "setting-source", "account-order",
            "decision-shown", "decision-order", "decision-state", "decision-act",
            "chart-state", "control-state", "gate-item", "check-verdict", "batch-order", "compared",
            "card-state", "card-order", "card-sheet", "card-verdict"}


def test_texts_and_their_uses_agree() -> None:
    texts = load_messages().texts
    asked = {f"{section}.{name}" for section, name in re.findall(r"""["']([a-z-]+)\.([a-z-]+)["']""", SOURCES)
             if section in texts.keys() - BY_VALUE and name not in ("html", "js")}
    assert asked == {f"{section}.{name}" for section in texts.keys() - BY_VALUE for name in texts[section]}


def test_a_section_is_defined_in_one_file(tmp_path: Path) -> None:
    """Otherwise the texts of one would silently replace those of the other."""
    for name in ("a.toml", "b.toml"):
        (tmp_path / name).write_text('[site]\nname = "stripread"\n')
    with pytest.raises(ValueError, match=r"b.toml: section \[site\]"):
        joined_sections([tmp_path / "a.toml", tmp_path / "b.toml"])


def test_each_page_of_the_menu_has_a_text() -> None:
    assert set(load_messages().texts["menu"]) == {e.id for e in (*PAGES, *OTHERS)} | {"more", "title", "all", "queue"}


def test_each_review_status_has_a_text() -> None:
    assert set(load_messages().texts["review"]) == set(REVIEW_STATUS_NAMES) - {"unreviewed"}


def test_refusals_have_words() -> None:
    asked = set(re.findall(r'HTTPRefusal\(\d+, "([a-z-]+)"', SOURCES)) | set(re.findall(r'\d{3}: "([a-z-]+)"', SOURCES))
    asked |= set(re.findall(r'_IN_API = {"[a-z-]+": "([a-z-]+)"}', SOURCES))
    assert asked | {"fault", "store", "disk-full"} == load_messages().section("refused").keys()


def test_no_script_replaces_a_text_of_another() -> None:
    """Scripts of a page add their texts to one object."""
    sections = [load_messages().section(name) for name in set(TEXTS.values())]
    assert len({key for texts in sections for key in texts}) == sum(map(len, sections))
