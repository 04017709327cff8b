"""Candidates made of the shipped ruleset by small changes."""

from hashlib import sha256

from inspections import grading
from inspections.models import RuleSet

SHIPPED = grading.shipped_text()
TORN = '  {in = ["U", "C"], when = {leak = "over limit"}, couple = "not"},\n'
HELD = 'hazard = "held", often = "Occasional", when = {leak = "over limit"}, why = "low air'
LOST = 'hazard = "air-lost", often = "Frequent", when = {leak = "over limit"}, why = "the torn'


def changed(*pairs, version="2"):
    """The shipped text with (old, new) replaced, each of which must be there, and a version of its own."""
    text = SHIPPED.replace('version = "1"', f'version = "{version}"')
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def tighter(version="2"):
    """A torn seal is not to be coupled while running either, and goes to the depot: tighter, and newly limited."""
    return changed(
        (TORN, TORN.replace('"C"', '"C", "R"').replace('"not"', '"not", move = "to depot"')), version=version
    )


def milder():
    """A torn seal seldom stops the train and holds nobody: a category lower."""
    return changed(
        (HELD, HELD.replace("Occasional", "Highly improbable")), (LOST, LOST.replace("Frequent", "Rare")), version="3"
    )


def worse():
    """Passengers are held by a torn seal all the time: a category higher."""
    return changed((HELD, HELD.replace("Occasional", "Frequent")), version="4")


def stored(text, **more):
    """The row of a document, stored without asking."""
    return RuleSet.objects.create(sha256=sha256(text.encode()).hexdigest(), text=text, **more)
