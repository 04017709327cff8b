"""One finding of a card: what it is, who saw it, what to take, steps and tests from the ruleset. Reads nothing."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import datetime

from django.utils import timezone

from inspections import case, closing, standing, words
from inspections.cards.there import all_bare
from inspections.models import Finding, Observation
from inspections.reports.work_card import CardFinding, CardSeen, CardStep, CardTest

SEEN_SHOWN = 3  # observations of a finding, the newest, after the first report
FEW_OTHERS = 3  # so many other modes are named on the card
LEAK_RECORD = ("Bar: start, end", "\N{DEGREE SIGN}C: start, end")  # the page of the leak test reckons the result


def finding_of(
    finding: Finding,
    rules,
    known: standing.EndStanding | None,
    seen: Sequence[Observation],
    *,
    now: datetime,
    past: tuple[str, ...],
    repeat: str,
    left: str,
    deferral: str,
    photo: Callable[[], bytes | None],
) -> CardFinding:
    """One finding of the card."""
    modes = candidates(finding, rules)
    lead = modes[0] if modes else None
    tests = [rules.tests[code] for code in closing.tests_asked(finding, lead.code if lead else "", rules)]
    due = words.deadline(finding, now)
    shown = [*seen[:1], *seen[1:][-SEEN_SHOWN:]]
    return CardFinding(
        reference=finding.ref,
        slot=finding.slot,
        part=words.part(rules, finding),
        fault=words.fault(rules, finding),
        category=words.category(finding).capitalize(),
        examine_by=timezone.localtime(due.at) if due.at else None,
        limits=(*(() if due.at else (due.words,)), *all_bare(case.limits_of(known, finding))),
        seen=tuple(seen_of(row, rules) for row in shown),
        past=past,
        parts=tuple(lead.spares) if lead else (),
        tools=tuple(lead.tools) if lead else (),
        steps=tuple(steps_of(modes, rules)),
        tests=tuple(test_of(test) for test in tests),
        photo=photo,
        check=check_words(lead, tests),
        deferral=deferral,
        left=left,
        repeat=repeat,
        document=lead.document if lead else "",
        unseen=len(seen) - len(shown),
    )


def candidates(finding: Finding, rules) -> list:
    """The modes it may be, the one that leads the grade first; one alone where a fitter confirmed it."""
    if finding.mode in rules.modes:
        return [rules.modes[finding.mode]]
    codes = list(finding.current_grade.modes) if finding.current_grade else []
    led = leading(finding)
    codes.sort(key=lambda code: code != led)
    return [rules.modes[code] for code in codes if code in rules.modes]


def leading(finding: Finding) -> str:
    """The mode behind the worst hit of the grade; "" where none is."""
    cells = finding.current_grade.cells.all() if finding.current_grade else ()
    hits = [hit for cell in cells for hit in cell.hits if hit["mode"]]
    return max(hits, key=lambda hit: hit["category"], default={"mode": ""})["mode"]


def check_words(lead, tests: Sequence) -> str:
    """Why a second person must check: the tests that ask, the fault itself, its wiring; "" where nothing does."""
    asked = [test.name.lower() for test in tests if test.checker]
    if lead and lead.wiring_check and "wiring" not in {test.code for test in tests}:
        asked.append("wiring")
    if lead and lead.second_person and not asked:
        asked.append(lead.name.lower())
    return ", ".join(asked)


def seen_of(row: Observation, rules) -> CardSeen:
    """One look: when, where, by whom, their words, what they measured or answered."""
    inspection = row.inspection
    place = (inspection.place.name if inspection.place else inspection.place_given) if inspection else ""
    said = dict.fromkeys(text for text in (row.note, inspection.note if inspection else "") if text.strip())
    answers = [": ".join(case.fact_words(rules, code, value)) for code, value in row.facts.items()]
    mode = [f"Found: {words.mode(rules, row.mode)}"] if row.mode else []
    return CardSeen(
        timezone.localtime(row.seen),
        place,
        words.name(row.by),
        "\n".join(said),
        row.kind,
        tuple(mode + [answer.replace("?:", "?") for answer in answers]),
    )


def steps_of(modes: Sequence, rules) -> list[CardStep]:
    """The steps of the leading mode; where it may be another, finding out which comes first."""
    if not modes:
        return []
    lead, *others = modes
    steps = [
        CardStep(
            step.do,
            write=f"{step.write} ({step.unit})" if step.unit else step.write,
            warning=brief(rules.cautions[step.caution].words) if step.caution else "",
        )
        for step in lead.steps
    ]
    if others:
        few = len(others) <= FEW_OTHERS
        names = words.listed([mode.name for mode in others], "or") if few else f"one of {len(others)} more"
        which = f"Find out which it is: {lead.name}, or {names}. The steps below are for the first."
        steps.insert(0, CardStep(which, write="What it is"))
    return steps


def brief(caution: str) -> str:
    """The first clause of a caution, for the step it guards; the whole stands at the head of the card."""
    return re.split(r"[.:]", caution, maxsplit=1)[0]


def test_of(test) -> CardTest:
    """A closing test with its limit in words and where that comes from."""
    limit = words.limit(test.low, test.high, test.unit) or "passed or failed"
    if test.minutes:
        limit = f"{limit} in {words.number(test.minutes)} min"
    return CardTest(
        f"{test.name}. {test.method}",
        limit,
        "" if test.minutes else test.unit,
        test.document,
        second=test.checker,
        record=LEAK_RECORD if test.minutes else (),
    )
