"""What happened to one finding: its log entries, the cards printed with it, the work that was signed. Reads only."""

from __future__ import annotations

from datetime import datetime

from django.contrib.auth.models import User

from inspections import parts, words
from inspections.models import CloseOut, Finding, LogEntry, TestResult

PRINTS_READ = 20  # of a unit's card prints, how many are searched for this finding


def history(finding: Finding) -> list[LogEntry]:
    """Its log entries, and the prints of its unit's cards that carried it, oldest first. Two queries."""
    own = list(LogEntry.objects.filter(subject=f"finding:{finding.ref}").select_related("actor"))
    if finding.unit_id is None:
        return own
    prints = LogEntry.objects.filter(subject=f"unit:{finding.unit.number}", kind="card printed")
    recent = prints.select_related("actor").order_by("-seq")[:PRINTS_READ]
    own += [entry for entry in recent if finding.ref in entry.data.get("refs", {})]
    return sorted(own, key=lambda entry: entry.seq)


def close_out_of(finding: Finding) -> CloseOut | None:
    """The close-out in force with its tests, or None."""
    in_force = finding.close_outs.filter(voided__isnull=True).select_related("by", "checker", "finding")
    return in_force.prefetch_related("tests__gauge").first()


def signed(
    close_out: CloseOut | None, rules, now: datetime, *, reader: User, named: bool
) -> tuple[tuple[str, str], ...]:
    """(label, words) of a close-out. Without `named`, no names but the reader's own and nobody's free words."""
    if close_out is None:
        return ()
    mine = named or close_out.by_id == reader.pk
    found = words.mode(rules, close_out.finding.mode)
    said = [
        ("Outcome", close_out.outcome.capitalize()),
        ("Fault found", f"Yes: {found}" if close_out.confirmed else "No"),
        ("Cause", close_out.cause),
        ("What was done", close_out.action),
        ("In their words", close_out.found if mine else ""),
        *parts.words_of(close_out.parts, rules),
        *((test.name, tested(test)) for test in close_out.tests.all()),
        ("Signed", words.moment(close_out.signed, now) + (f", {words.name(close_out.by)}" if mine else "")),
    ]
    if close_out.checked:
        by = f", {words.name(close_out.checker)}" if named or close_out.checker_id == reader.pk else ""
        said.append(("Checked", words.moment(close_out.checked, now) + by))
    elif close_out.check_needed:
        said.append(("Check", "A second person must check it."))
    return tuple((label, text) for label, text in said if text)


VERDICT_WORDS = {
    TestResult.Verdict.PASS: "passed",
    TestResult.Verdict.FAIL: "failed",
    TestResult.Verdict.REPEAT: "to be repeated, no pass",
    TestResult.Verdict.INVALID: "no valid test",
}


def tested(test: TestResult) -> str:
    """One result in words: "0.15 bar, limit at most 0.2 bar: passed. Gauge G-12, due 3 December 2026"."""
    verdict = VERDICT_WORDS[test.verdict]
    if test.value is None:
        return verdict.capitalize()
    limit = words.limit(test.low, test.high, test.unit)
    spread = f" ± {words.number(test.uncertainty)}" if test.uncertainty is not None else ""
    value = f"{words.number(test.value)}{spread} {test.unit}".strip()
    said = f"{value}, limit {limit}: {verdict}" if limit else f"{value}: {verdict}"
    if test.gauge_id:
        said += f". Gauge {test.gauge}, due {test.gauge_due.day} {test.gauge_due:%B %Y}"
    return said
