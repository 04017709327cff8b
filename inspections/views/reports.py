"""Reporting: the report page, its receipt, one's own reports, and what is in quarantine."""

from __future__ import annotations

import json
from dataclasses import replace
from hashlib import sha256
from uuid import UUID, uuid4

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import Http404
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.safestring import SafeString
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inspections import case, grading, intake, photos, receipts
from inspections.forms.questions import asked, read_unit
from inspections.forms.report import SLOTS, PhotoForm, ReportForm, as_bytes, fresh, with_ids
from inspections.models import Finding, Observation, Photo, Submission
from inspections.permissions import require
from inspections.reports import face
from inspections.rules.facts import CATEGORIES
from inspections.views import today

PAGE = 25
NOT_TAKEN = "photos not taken"  # session: slot → why
REFUSALS_KEPT = 12
RAW_SHOWN = 20_000  # characters of a body in quarantine


@require_http_methods(["GET", "HEAD", "POST"])
@require("report")
def report(request):
    """S2: the form. POST sends it; `look` shows what the end may do first; `change` takes another unit."""
    now = timezone.now()
    if request.method != "POST":
        questions = asked(number_for(request), now)
        initial = fresh(now) | {"unit": questions.number, "found": request.GET.get("found", "")}
        return page(request, ReportForm(None, asked=questions, initial=initial))
    data = with_ids(request.POST, now)
    questions = asked(tidy(data.get("unit", "")), now, data.get("sign", ""))
    if "change" in data and questions.number:
        keep_photos(request, data, now)
        return page(request, ReportForm(None, asked=questions, initial=data.dict()))
    form = ReportForm(data, asked=questions)
    if form.is_valid() and "look" not in data:
        return send(request, form, now)
    keep_photos(request, data, now)
    form = ReportForm(data, asked=questions)
    verdict = verdict_on(request, form, now) if form.is_valid() else None
    return page(request, form, verdict, status=422 if form.errors else 200)


def number_for(request) -> str:
    """The unit a new page starts with: the one asked for ("" where that can be none), else today's."""
    return tidy(request.GET["unit"]) if "unit" in request.GET else today.number(request)


def tidy(text: str) -> str:
    """A unit's number, "" where the text can be none."""
    try:
        return read_unit(text)
    except ValidationError:
        return ""


def page(request, form, verdict=None, status=200):
    """The report page with its questions in order."""
    questions = form.asked
    context = {
        "form": form,
        "clean": form.clean_look,
        "number": questions.number,
        "unit": questions.unit,
        "face": SafeString(face.svg(questions.drawing)),
        "asked": questions,
        "steps": steps(form),
        "kept": int(form["kept"].value() or 0),
        "data": json.dumps(questions.for_script()),
        "verdict": verdict,
        "cautions": today.cautions(questions.rules),
    }
    return render(request, "pages/report.html", context, status=status)


def steps(form) -> dict[str, str]:
    """The line above each question: which unit, which question of how many."""
    names = ["unit", "end", "situation"] if form.clean_look else ["unit", "end", "part", "sign", "situation", "more"]
    unit = f"Unit {form.asked.number}, " if form.asked.number else ""
    lines = {name: f"{unit}question {place} of {len(names)}" for place, name in enumerate(names, 1)}
    lines["facts"] = f"{unit}if you know it"
    return {name: line[0].upper() + line[1:] for name, line in lines.items()}


def verdict_on(request, form, now):
    """What the end may do with this report, as `report/_verdict.html` takes it: worked out, not stored."""
    found = intake.preview(raw=raw_of(request, form, ()), submitted_by=request.user, received=now)
    if found is None:
        return None
    rules, end = form.asked.rules, form.cleaned_data["end"]
    ends = [known for known in found.ends if end in ("?", known.end.letter)]
    return {
        "category": "" if found.worst is None else CATEGORIES[found.worst],
        "call": found.worst == len(CATEGORIES) - 1,
        "standings": [case.standing_words(known, rules) for known in ends],
    }


def raw_of(request, form, files) -> bytes:
    """The body, with a slot for each photo kept already and each file that came now."""
    taken = form.cleaned_data["kept"] + len(files)
    return as_bytes(form.body(request.user.pk, min(taken, len(SLOTS))))


def send(request, form, now):
    """Words first, photos after; whatever becomes of a photo, the report stands."""
    files = request.FILES.getlist("photos")
    receipt = intake.receive(
        raw=raw_of(request, form, files), submitted_by=request.user, channel="page", received=now
    )
    if receipt.status == 400:
        form.add_error(None, receipt.words)
        return page(request, form, status=422)
    if receipt.words:
        messages.warning(request, receipt.words)
    if receipt.state == "stored" and not form.clean_look:
        answers = form.cleaned_data
        free = [answers[slot] for slot in SLOTS[answers["kept"] :]]
        take_photos(request, files, slots=free, owner=answers["fault"], now=now)
    today.remember(request, form.cleaned_data["unit"])
    return redirect("receipt", uuid=receipt.id)


def take_photos(request, files, *, slots, owner, now) -> list[str]:
    """Take in each file under the next slot; the state of each. What has no row to show is said at once."""
    states = []
    for number, (file, slot) in enumerate(zip(files, slots, strict=False), 1):
        state, words = take_photo(request, file, slot, owner, now)
        states.append(state)
        if not state:
            messages.warning(request, f"Photo {number}: {words}")
            remember_refusal(request, slot, words)
    over = len(files) - len(slots)
    if over > 0:
        left = "1 photo was left out" if over == 1 else f"{over} photos were left out"
        messages.warning(request, f"{left}: at most {len(SLOTS)} go with a report.")
    return states


def remember_refusal(request, slot: UUID, words: str) -> None:
    """Keep why nothing was kept of a photo, for the receipt: it has no row of its own."""
    kept = list(request.session.get(NOT_TAKEN, {}).items())[1 - REFUSALS_KEPT :]
    request.session[NOT_TAKEN] = dict([*kept, (str(slot), words)])


def take_photo(request, file, slot: UUID, owner: UUID, now) -> tuple[str, str]:
    """(state, words) of one photo; state "" where nothing was kept."""
    data = file.read(photos.MAX_BYTES + 1)
    try:
        receipt = photos.receive(
            uuid=slot,
            owner=owner,
            data=data,
            claimed_sha256=sha256(data).hexdigest(),
            by=request.user,
            now=now,
        )
    except OSError:
        return "", "It could not be kept just now. The report stands; add the photo again."
    return (receipt.state if receipt.status in (200, 201) else ""), receipt.words


def keep_photos(request, data, now) -> None:
    """A page that comes back cannot hold files: keep them now, under the ids of the report to come."""
    files = request.FILES.getlist("photos")
    owner, kept = UUID(data["fault"]), int(data["kept"])
    if not files or Observation.objects.filter(uuid=owner).exists():
        return
    for file in files[: len(SLOTS) - kept]:
        slot = SLOTS[kept]
        state, words = take_photo(request, file, UUID(data[slot]), owner, now)
        if state == Photo.State.STORED:
            kept += 1
        else:
            messages.warning(request, words)
            data[slot] = str(uuid4())
    data["kept"] = str(kept)


@require_safe
@require("report")
def receipt(request, uuid):
    """S3: what the logbook has, for its author, control, fitters and managers."""
    now = timezone.now()
    submission = receipts.visible(uuid, request.user)
    if submission is None:
        raise Http404("No report of yours has this address.")
    rules = grading.ruleset(now)
    (sent,) = receipts.sent([submission], rules, now)
    context = {
        "sent": sent,
        "own": receipts.is_own(submission, request.user),
        "told": receipts.told(submission, rules) if sent.unit else [],
        "joined": receipts.joined(submission) if sent.unit else [],
        "items": [shown(item, rules, request.session.get(NOT_TAKEN, {})) for item in sent.items],
        "cautions": today.cautions(rules, [item.finding for item in sent.items]),
    }
    return render(request, "pages/receipt.html", context)


def shown(item, rules, not_taken) -> dict:
    """One fault of a receipt with its photos, the slots still free, and the form that adds more."""
    pictures = case.pictures_of(item.finding, [item.observation], rules)[item.observation.uuid]
    waiting = [picture.uuid for picture in pictures if picture.state == Photo.State.WAITING]
    taken = sum(picture.state != Photo.State.REFUSED for picture in pictures) - len(waiting)
    new = [uuid4() for _ in range(len(SLOTS) - taken - len(waiting))]
    return {
        "item": item,
        "pictures": [
            replace(one, state=Photo.State.REFUSED, why=not_taken[str(one.uuid)])
            if one.state == Photo.State.WAITING and str(one.uuid) in not_taken
            else one
            for one in pictures
        ],
        "slots": [] if item.finding.state == Finding.State.WITHDRAWN else [*waiting, *new],
        "form": PhotoForm(auto_id=f"id_%s_{item.observation.pk}"),
    }


@require_POST
@require("report")
def add_photo(request, uuid):
    """More photos for a report of one's own."""
    submission = receipts.visible(uuid, request.user)
    if submission is None or not receipts.is_own(submission, request.user):
        raise Http404("No report of yours has this address.")
    owner = request.POST.get("fault", "")
    if owner not in {str(row.uuid) for row in receipts.observations(submission)}:
        raise Http404("This report has no such fault.")
    files = request.FILES.getlist("photos")
    if not files:
        messages.error(request, "No photo was picked. Take or choose one first.")
    slots = [UUID(text) for text in request.POST.getlist("slot") if is_uuid(text)][: len(SLOTS)]
    take_photos(request, files, slots=slots, owner=UUID(owner), now=timezone.now())
    return redirect("receipt", uuid=uuid)


def is_uuid(text: str) -> bool:
    try:
        UUID(text)
    except ValueError:
        return False
    return True


@require_safe
@require("report")
def mine(request):
    """S4: one's own reports, newest first."""
    now = timezone.now()
    shown = Paginator(receipts.of_person(request.user), PAGE).get_page(request.GET.get("page"))
    context = {"page": shown, "rows": receipts.sent(shown, grading.ruleset(now), now), "now": now}
    return render(request, "pages/my_reports.html", context)


@require_safe
@require("see control")
def quarantine(request):
    """What could not be filed: read-only, the text as it came."""
    rows = Submission.objects.quarantined().select_related("submitted_by").order_by("-received")
    shown = Paginator(rows, PAGE).get_page(request.GET.get("page"))
    return render(request, "pages/quarantine.html", {"page": shown, "rows": [kept(row) for row in shown]})


def kept(row) -> dict:
    """One body in quarantine, its bytes as text."""
    text = bytes(row.body).decode("utf-8", "replace")
    return {"row": row, "text": text[:RAW_SHOWN], "more": max(0, len(text) - RAW_SHOWN)}


def shell_context(now) -> dict:
    """What the report page needs for any unit."""
    return {}
