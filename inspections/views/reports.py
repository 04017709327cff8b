"""Reporting: the report page, its receipt, and one's own reports."""

from __future__ import annotations

import json
from dataclasses import replace
from uuid import UUID, uuid4

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import Http404
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.safestring import SafeString
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from config.squeeze import squeezed
from inspections import calls, carried, case, grading, intake, receipts
from inspections.forms import earlier
from inspections.forms.questions import asked, asked_of_any, read_unit
from inspections.forms.report import SLOTS, PhotoForm, ReportForm, as_bytes, fresh, with_ids, without
from inspections.models import Finding, Inspection, Photo
from inspections.permissions import require
from inspections.reports import face
from inspections.rules.facts import CATEGORIES
from inspections.views import bundle, today
from inspections.views.taking import NOT_TAKEN, keep_photos, take_photos

PAGE = 25


@require_http_methods(["GET", "HEAD", "POST"])
@squeezed(quality=6)  # the token in it is masked anew in every answer
@require("report")
def report(request):
    """S2: the form. A POST sends it, unless one of the page's other buttons was pressed."""
    now = timezone.now()
    if request.method != "POST":
        number = number_for(request)
        questions = asked(number, now, known=carried.facts(now, [number]))
        initial = fresh(now) | {"unit": questions.number, "found": request.GET.get("found", "")}
        return page(request, ReportForm(None, asked=questions, initial=initial))
    data = with_ids(request.POST, now)
    data["said"] = without(data.get("said", ""), data.get("remove", ""))
    number, signs = tidy(data.get("unit", "")), [data.get("sign", ""), *earlier.signs(data["said"])]
    questions = asked(number, now, signs, carried.facts(now, [number]))
    if "remove" in data or ("change" in data and questions.number):
        keep_photos(request, data, now)
        return page(request, ReportForm(None, asked=questions, initial=data.dict()))
    more = "another" in data or bool(request.FILES.getlist("photos"))
    form = ReportForm(data, asked=questions, more=more)
    if form.is_valid() and not {"look", "another"} & set(data):
        return send(request, form, now)
    keep_photos(request, data, now)
    form = ReportForm(data, asked=questions, more=more)
    return answered(request, form, now)


def answered(request, form, now):
    """The page again: with one fault more to ask, with what the ends may do, or with what is wrong."""
    if not form.is_valid():
        return page(request, form, status=422)
    if "another" in form.data:
        return page(request, ReportForm(None, asked=form.asked, initial=form.next_fault()))
    return page(request, form, verdict_on(request, form, now))


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
    data = {"facts": form.asked.carried, "fresh": request.method != "POST"}
    context = questions_context(form) | {"verdict": verdict, "data": json.dumps(data)}
    return render(request, "pages/report.html", context, status=status)


def questions_context(form) -> dict[str, object]:
    """What the page's templates ask of a form, whoever fills it in."""
    questions = form.asked
    return {
        "form": form,
        "clean": form.clean_look,
        "number": questions.number,
        "unit": questions.unit,
        "faces": [(name, SafeString(face.svg(name, hatched=False))) for name in questions.drawings],
        "asked": questions,
        "steps": steps(form),
        "late": [bundle.address("page-scripts"), bundle.address("late-scripts")],
        "kept": int(form["kept"].value() or 0),
        "cautions": today.cautions(questions.rules),
    }


def shell_context(now) -> dict[str, object]:
    """The page for any unit, as the phone keeps it: no person, no token, nothing of any unit."""
    form = ReportForm(None, asked=asked_of_any(now), initial={"kept": 0, "occasion": Inspection.Occasion.WALK_ROUND})
    return questions_context(form) | {"shell": True}


def steps(form) -> dict[str, str]:
    """The line above each question: which unit, which question of how many."""
    names = ["unit", "end", "situation"] if form.clean_look else ["unit", "end", "part", "sign", "situation", "more"]
    unit = f"Unit {form.asked.number}, " if form.asked.number else ""
    lines = {name: f"{unit}question {place} of {len(names)}" for place, name in enumerate(names, 1)}
    lines["facts"] = lines["changed"] = f"{unit}if you know it"
    return {name: line[0].upper() + line[1:] for name, line in lines.items()}


def verdict_on(request, form, now):
    """What the ends may do with this report, as `report/_verdict.html` takes it: worked out, not stored."""
    found = intake.preview(raw=raw_of(request, form, ()), submitted_by=request.user, received=now)
    if found is None:
        return None
    letters = form.letters()
    ends = [known for known in found.ends if "?" in letters or known.end.letter in letters]
    return {
        "category": "" if found.worst is None else CATEGORIES[found.worst],
        "call": found.worst == len(CATEGORIES) - 1,
        "standings": [case.standing_words(known, form.asked.rules) for known in ends],
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
        "call": calls.call_of(submission),
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
