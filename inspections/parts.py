"""Parts out and in, and couplers exchanged: what is signed, refused, and done to the lives on signing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime

from django.contrib.auth.models import User

from fleet.models import Coupler, CouplerEnd, Fitment, PartFitting
from inspections import log
from inspections.models import Finding
from inspections.permissions import Refused

COUPLER = "coupler"  # what the signed list calls the whole coupler, beside its slots


@dataclass(frozen=True, slots=True)
class PartChange:
    """One slot: why what was in it came out, and what went in. `age_days`: of the new part; None where nobody knows.

    `out_serial` and `out_batch` are as read on the old part; the logbook keeps what it had recorded of it as well.
    """

    slot: str
    reason: str
    serial: str = ""
    batch: str = ""
    age_days: int | None = 0
    out_serial: str = ""
    out_batch: str = ""


@dataclass(frozen=True, slots=True)
class Swap:
    """The whole coupler exchanged: the serial of the one that went in, and why the old one came out."""

    serial: str
    reason: str


def slots_of(end: CouplerEnd | None, rules) -> list[str]:
    """The slots that hold a part of their own: the pattern's, and the ruleset's parts that no drawing numbers."""
    own = end.pattern.slots if end else []
    loose = [part.code for part in rules.parts.values() if part.number is None and not part.anything]
    return [*own, *(code for code in loose if code not in own)]


def fitted_at(end: CouplerEnd | None) -> Fitment | None:
    """The coupler that is at an end now, as its fitment; None where none is recorded."""
    if end is None:
        return None
    return end.fitments.filter(removed__isnull=True).select_related("coupler__pattern").first()


def in_slots(coupler: Coupler | None) -> dict[str, PartFitting]:
    """Slot → the part recorded in it now."""
    rows = coupler.parts.filter(removed__isnull=True) if coupler else ()
    return {row.slot: row for row in rows}


def refuse_unless_sound(finding: Finding, changes: Sequence[PartChange], swap: Swap | None, rules, now) -> None:
    """What cannot be recorded, each in its sentence."""
    if not changes and swap is None:
        return
    old = fitted_at(finding.end)
    if finding.end_id is None:
        raise Refused("Which end it is is not known, so no part can be recorded. Move it to its end first.")
    if old is None and swap is None:
        raise Refused("Which coupler is at this end is not recorded, so no part can be. Name the coupler that is in.")
    if swap is not None:
        refuse_swap(finding, old, swap, now)
    for change in changes:
        refuse_change(change, rules, slots_of(finding.end, rules))
    twice = {change.slot for change in changes if [c.slot for c in changes].count(change.slot) > 1}
    if twice:
        raise Refused(f"“{rules.parts[twice.pop()].name}” stands twice among the parts.")


def refuse_change(change: PartChange, rules, slots: Sequence[str]) -> None:
    """Raise Refused for one row that is not whole."""
    if change.slot not in slots or change.slot not in rules.parts:
        raise Refused("Choose which part came out.")
    name = rules.parts[change.slot].name
    if change.reason not in PartFitting.Reason.values:
        raise Refused(f"Say why the old part came out: “{name}”.")
    if not (change.serial or change.batch):
        raise Refused(f"Give the batch or the serial of what went in: “{name}”.")


def refuse_swap(finding: Finding, old: Fitment | None, swap: Swap, now: datetime) -> None:
    """Raise Refused for a coupler that cannot have gone in."""
    new = Coupler.objects.filter(serial__iexact=swap.serial).select_related("pattern").first()
    if new is None:
        raise Refused(
            f"No coupler has the serial {swap.serial}. Is it right? A new one must be put on the list first."
        )
    if swap.reason not in PartFitting.Reason.values:
        raise Refused("Say why the old coupler came out.")
    if old and old.coupler_id == new.pk:
        raise Refused(f"Coupler {new} is the one that is in now. Enter the one that went in.")
    if new.pattern_id != finding.end.pattern_id:
        raise Refused(f"Coupler {new} is of {new.pattern}; this end takes {finding.end.pattern}.")
    elsewhere = new.fitments.filter(removed__isnull=True).select_related("end").first()
    if elsewhere:
        raise Refused(f"Coupler {new} is recorded at {elsewhere.end}. It must be recorded as out there first.")
    if old and old.fitted >= now:
        raise Refused("That coupler was fitted only now. Look at its fitting time first.")


def as_signed(finding: Finding, changes: Sequence[PartChange], swap: Swap | None) -> list[dict[str, object]]:
    """What the signed text and the close-out's row hold: per slot what came out and why, and what went in."""
    signed = []
    old = fitted_at(finding.end)
    if swap:
        out = old.coupler.serial if old else ""
        signed.append({"slot": COUPLER, "out": {"serial": out, "reason": swap.reason}, "in": {"serial": swap.serial}})
    new = Coupler.objects.filter(serial__iexact=swap.serial).first() if swap else old and old.coupler
    recorded = in_slots(new) if changes else {}
    for change in changes:
        known, said = recorded.get(change.slot), asdict(change)
        out = {
            "serial": change.out_serial or (known.serial if known else ""),
            "batch": change.out_batch or (known.batch if known else ""),
            "reason": change.reason,
        }
        signed.append({"slot": change.slot, "out": out, "in": {k: said[k] for k in ("serial", "batch", "age_days")}})
    return signed


def fit(finding: Finding, changes: Sequence[PartChange], swap: Swap | None, *, by: User, now: datetime) -> None:
    """End and begin the lives, inside the caller's transaction. With a swap, parts are those of the new coupler."""
    if swap:
        exchange(finding, swap, by, now)
    fitment = fitted_at(finding.end) if changes else None
    for change in changes:
        renew(fitment.coupler, change, now)


def exchange(finding: Finding, swap: Swap, by: User, now: datetime) -> None:
    """The old coupler's fitment ends, the new one's begins. Restrictions stand on the end and stay."""
    old = fitted_at(finding.end)
    new = Coupler.objects.get(serial__iexact=swap.serial)
    if old:
        Fitment.objects.filter(pk=old.pk).update(removed=now)
    Fitment.objects.create(coupler=new, end=finding.end, fitted=now)
    log.write(
        subject=f"unit:{finding.unit.number}" if finding.unit_id else f"vehicle:{finding.end.vehicle}",
        kind="coupler exchanged",
        actor=by.pk,
        happened=now,
        written=now,
        end=finding.end.letter,
        out=old.coupler.serial if old else "",
        reason=swap.reason,
        fitted=new.serial,
        finding=finding.ref,
    )


def renew(coupler: Coupler, change: PartChange, now: datetime) -> None:
    """One life ends and the next begins. A part nobody had recorded gets a life of which only its end is known."""
    ended = {"removed": now, "reason": change.reason}
    known = PartFitting.objects.filter(coupler=coupler, slot=change.slot, removed__isnull=True)
    if not known.update(**ended):
        read = {"serial": change.out_serial, "batch": change.out_batch}
        PartFitting.objects.create(coupler=coupler, slot=change.slot, fitted=now, age_days=None, **read, **ended)
    new = {"serial": change.serial, "batch": change.batch, "age_days": change.age_days}
    PartFitting.objects.create(coupler=coupler, slot=change.slot, fitted=now, **new)


def words_of(signed: Sequence[dict], rules) -> list[tuple[str, str]]:
    """(label, words) of parts as signed: "Upper air seal" → "out, failed: batch 12; in: batch 14"."""
    return [(slot_name(row["slot"], rules), change_words(row)) for row in signed]


def slot_name(slot: str, rules) -> str:
    """ "The coupler", or the part's name."""
    return "The coupler" if slot == COUPLER else rules.parts[slot].name if slot in rules.parts else slot


def change_words(row: dict) -> str:
    """ "Out (failed): batch 12. In: batch 14"."""
    out, new = row.get("out") or {}, row.get("in") or {}
    age = new.get("age_days", 0)
    used = "" if age == 0 or row["slot"] == COUPLER else ", age not known" if age is None else f", {age} days old"
    return f"Out ({out.get('reason', '')}): {named(out)}. In: {named(new)}{used}"


def named(part: dict) -> str:
    """ "serial 7, batch 12"; "number not read" where neither is known."""
    said = [f"{name} {part[name]}" for name in ("serial", "batch") if part.get(name)]
    return ", ".join(said) or "number not read"
