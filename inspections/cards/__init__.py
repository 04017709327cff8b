"""Rows → what work cards and shift packs say, their versions, and the log of their printing.

One coupler end at one visit with all its open findings there; one whose end is not known stands on the cards of both.
However many cards are made at once, the number of queries is the same.
"""

from inspections.cards.made import Made, card_of, cards_of, open_at
from inspections.cards.packs import (
    PackPrinted,
    cards_in,
    finished,
    jobs_of,
    last_pack,
    pack_of,
    print_pack,
    shifts_of,
)
from inspections.cards.prints import PRINTED, NothingToPrint, Print, Printed, last_prints, print_card

__all__ = [
    "PRINTED",
    "Made",
    "NothingToPrint",
    "PackPrinted",
    "Print",
    "Printed",
    "card_of",
    "cards_in",
    "cards_of",
    "finished",
    "jobs_of",
    "last_pack",
    "last_prints",
    "open_at",
    "pack_of",
    "print_card",
    "print_pack",
    "shifts_of",
]
