"""Checks of cards in use by photographs: evaluated, stored with the photograph, listed over time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import msgspec

from shared.card import CardLayout
from shared.errors import MismatchError
from shared.flags import FLAGS
from shared.profile import PrintProfile
from shared.strip import default_strip
from stripread.intake.receive import printable_name, receive
from stripread.reading.card_check import check_card
from stripread.reading.card_shape import bar_is_off
from stripread.reading.context import exposed
from stripread.reading.observe import NoObservation, observe_file
from stripread.reading.photo_file import PhotoFile
from stripread.store.models.evidence import Photograph
from stripread.store.models.materials import Card, CardInspection
from stripread.store.models.record import new_id
from stripread.store.store import Store

#: Lengths that a ruler can show for a bar, mm.
_RULER: Final = (5.0, 400.0)


class CardFinding(msgspec.Struct, frozen=True, kw_only=True):
    """What a photograph shows of a card; fields as in `CardInspection`. ``run``: None if no card was found."""

    sha256: str
    taken: str | None
    run: int | None = None
    verdict: Literal["good", "replace", "look again"] = "look again"
    reasons: tuple[str, ...] = ()
    typical_delta_e: float | None = None
    bar_mm: float | None = None


def inspect(file: PhotoFile, card: CardLayout, profiles: Sequence[PrintProfile]) -> CardFinding:
    """Decode a photograph and check the card in it. Raises PhotoError if it is not a photograph, MismatchError."""
    photo, seen = observe_file(file, card, default_strip(), profiles)
    if isinstance(seen, NoObservation):
        run = None if seen.located is None else seen.located.run
        return CardFinding(sha256=photo.sha256, taken=photo.taken, run=run, reasons=(FLAGS[seen.flag].words,))
    check = check_card(seen)
    return CardFinding(sha256=photo.sha256, taken=photo.taken, run=check.run, verdict=check.verdict,
                       reasons=check.reasons, typical_delta_e=check.typical_delta_e, bar_mm=check.bar_mm)


@dataclass(frozen=True, slots=True)
class CardInfo:
    """Information given with a photograph: the card's id; ``ruler_mm``: length of its bar by a ruler; None: not."""

    card: str | None = None
    ruler_mm: float | None = None


@dataclass(frozen=True, slots=True)
class CardIntake:
    """Receives photographs of cards for an account; ``inspect`` decodes one, possibly in another process."""

    store: Store
    by: str
    layout: CardLayout
    inspect: Callable[[PhotoFile], CardFinding]

    def receive(self, file: PhotoFile, info: CardInfo) -> CardInspection:
        """Store a photograph and the check of the card in it. Raises PhotoError, MismatchError."""
        name, ruler = printable_name(file.where), info.ruler_mm
        if ruler is not None and not _RULER[0] <= ruler <= _RULER[1]:
            raise MismatchError("is not a possible length of the bar", where=name, found=f"{ruler:g} mm",
                                allowed=f"{_RULER[0]:g} to {_RULER[1]:g} mm")
        finding = self.inspect(file)
        run = self._run(finding, info, name)
        now = self.store.clock()
        receive(self.store, Photograph(
            id=finding.sha256, name=name, size=len(file.data), received=now, account=self.by, taken=finding.taken,
            exposed=exposed(finding.taken, now, None), card=info.card, note="check of the card"), file.data)
        off = self._by_ruler(ruler)
        made = CardInspection(
            id=new_id(), run=run, at=now, account=self.by, photograph=finding.sha256, card=info.card,
            verdict="replace" if off else finding.verdict, reasons=(*off, *finding.reasons),
            typical_delta_e=finding.typical_delta_e, bar_mm=finding.bar_mm if ruler is None else ruler)
        with self.store.writing(self.by) as transaction:
            transaction.put(made, "card checked")
        return made

    def _run(self, finding: CardFinding, info: CardInfo, name: str) -> int:
        """Return the print run; a named card must be of the run that its markers show."""
        if finding.run is None:
            raise MismatchError("no card was found", where=name, found="; ".join(finding.reasons),
                                allowed="a card with its four markers in the picture")
        if info.card is not None:
            card = self.store.get(Card, info.card)
            if card.run != finding.run:
                raise MismatchError("the photograph shows a card of another print run", where=name,
                                    found=f"print run {finding.run}", allowed=f"card {card.id}: print run {card.run}")
        return finding.run

    def _by_ruler(self, ruler: float | None) -> tuple[str, ...]:
        length = self.layout.scale_bar.length
        if ruler is None or not bar_is_off(ruler, length):
            return ()
        return (f"its bar measures {ruler:g} mm by ruler instead of {length:g} mm: print it at 100 %",)


def retire_card(store: Store, by: str, card: str, why: str) -> None:
    """Record that a card is retired today. Raises MismatchError without a reason or for a card not in use."""
    with store.writing(by) as transaction:
        known = transaction.current(Card, card)
        if known is None or known.retired is not None or not why.strip():
            raise MismatchError("the card cannot be retired", where=f"card {card}",
                                found="no reason" if known and known.retired is None else "no such card in use",
                                allowed="a card in use, and a reason")
        transaction.put(msgspec.structs.replace(known, retired=transaction.now.date()), "card retired", why.strip())


def begin_card(store: Store, by: str, card: Card) -> None:
    """Record a new card. Raises MismatchError if there is one of this id."""
    with store.writing(by) as transaction:
        if transaction.current(Card, card.id) is not None:
            raise MismatchError("a card with this ID exists already", where="card", found=card.id, allowed="a new ID")
        transaction.put(card, "card recorded")
