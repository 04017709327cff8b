"""Control types in a report for a caller, and works off what was kept whole."""

from __future__ import annotations

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from inspections import calls, carried, words
from inspections.forms import earlier
from inspections.forms.calls import CallForm, DealtWithForm, call_initial, reading, report_initial, stamp, text
from inspections.forms.questions import asked
from inspections.forms.report import ReportForm, as_bytes, fresh, with_ids, without
from inspections.models import Submission
from inspections.permissions import Refused, may, require
from inspections.views.reports import questions_context, tidy, verdict_on

PAGE = 25
RAW_SHOWN = 20_000  # characters of a body in quarantine
# Field of a body → what it is called.
FIELDS = {
    "v": "the version of its form",
    "id": "its id",
    "author": "its author",
    "unit": "the unit",
    "seen": "the time seen",
    "occasion": "what they were doing",
    "place": "the place",
    "weather": "the weather",
    "note": "the note",
    "end": "which end",
    "situation": "how the end was",
    "clean": "nothing found",
    "mate": "the other end",
    "stage": "how far they joined",
    "coupled": "what happened",
    "part": "the part",
    "symptom": "what is wrong",
    "kind": "what kind of report",
    "of": "the earlier report",
}
GONE = "This was worked off meanwhile. Nothing more was filed; what you typed stands below."


@require_http_methods(["GET", "HEAD", "POST"])
@require("load")
def call_new(request):
    """The report's own questions, with who told it, how and when. With ?kept=, what can be read of a kept body."""
    now = timezone.now()
    kept = kept_meant(request)
    if kept and calls.worked_off(kept) and request.method != "POST":
        return redirect("work-off", pk=kept.pk)
    if request.method != "POST":
        return opened(request, kept, now)
    data = with_ids(request.POST, now)
    if kept:
        data["id"] = str(calls.filed_id(kept))
    call = CallForm(data, now=now, kept=kept)
    if call.is_valid():
        data["made"] = stamp(call.cleaned_data["called"])
    data["said"] = without(data.get("said", ""), data.get("remove", ""))
    questions = questions_for(data.get("unit", ""), now, [data.get("sign", ""), *earlier.signs(data["said"])])
    if "remove" in data or ("change" in data and questions.number):
        unchecked = CallForm(None, now=now, kept=kept, initial=data.dict())
        return page(request, ReportForm(None, asked=questions, initial=data.dict()), unchecked, now)
    form = ReportForm(data, asked=questions, more="another" in data)
    if not form.is_valid() or not call.is_valid():
        return page(request, form, call, now, status=422)
    if "another" in data:
        again = ReportForm(None, asked=questions, initial=form.next_fault())
        return page(request, again, CallForm(None, now=now, kept=kept, initial=data.dict()), now)
    if "look" in data:
        return page(request, form, call, now, verdict=verdict_on(request, form, now))
    return send(request, form, call, now)


def kept_meant(request) -> Submission | None:
    """The body in quarantine that the page files, 404 where there is none; None for a call."""
    pk = request.POST.get("kept_body") or request.GET.get("kept", "")
    if not pk:
        return None
    rows = Submission.objects.filter(status=Submission.Status.QUARANTINED).select_related("submitted_by")
    return get_object_or_404(rows, pk=int(pk) if pk.isdecimal() and len(pk) < 19 else 0)


def questions_for(unit: str, now, signs=()):
    number = tidy(unit)
    return asked(number, now, signs, carried.facts(now, [number]))


def opened(request, kept, now):
    """A new page, empty or as far as the kept body can be read."""
    if kept is None:
        questions = questions_for(request.GET.get("unit", ""), now)
        initial = fresh(now) | {"unit": questions.number, "found": request.GET.get("found", "")}
        call = CallForm(None, now=now, initial={"called": timezone.localtime(now)})
        return page(request, ReportForm(None, asked=questions, initial=initial), call, now)
    data = reading(kept)
    known = [fault.get("of") for fault in data.get("faults", []) if isinstance(fault, dict)] if data else []
    questions = questions_for(text(data, "unit"), now, [f"still:{ref}" for ref in known if isinstance(ref, str)])
    initial = fresh(now) | {"id": calls.filed_id(kept)} | report_initial(data, questions)
    call = CallForm(None, now=now, kept=kept, initial=call_initial(kept, data))
    return page(request, ReportForm(None, asked=questions, initial=initial), call, now)


def page(request, form, call, now, status=200, verdict=None, gone=False):
    """The page. `gone`: the kept body was worked off while it was open."""
    context = questions_context(form) | {
        "call": call,
        "verdict": verdict,
        "kept_body": call.kept and shown(call.kept),
        "problem": bool(form.errors or call.errors or gone),
        "gone": GONE if gone else "",
    }
    return render(request, "pages/call.html", context, status=status)


def send(request, form, call, now):
    """By the same door as every report; what it was filed from leaves control's list."""
    kept = call.kept
    told = calls.worked_off(kept) if kept else None
    if told and told.data["filed"] != str(form.cleaned_data["id"]):
        return page(request, form, call, now, status=409, gone=True)
    author = call.author(request.user)
    body = form.body(author.pk, form.cleaned_data["kept"]) | {"call": call.in_body()}
    receipt = calls.receive(raw=as_bytes(body), call=call.in_log(), by=request.user, now=now)
    if receipt.status == 400:
        form.add_error(None, receipt.words)
        return page(request, form, call, now, status=422)
    if receipt.state == Submission.Status.QUARANTINED:
        messages.warning(request, receipt.words)
    elif kept:
        try:
            calls.work_off(kept, by=request.user, now=now, filed=receipt.id)
        except Refused as refused:
            messages.warning(request, str(refused))
    if receipt.refs:
        spoken = words.listed(words.spoken(ref) for ref in receipt.refs)
        messages.info(request, f"Filed as {spoken}. {'' if kept else 'Tell the caller. '}Now look at it.")
    return redirect("receipt", uuid=receipt.id)


@require_safe
@require("see control")
def quarantine(request):
    """What could not be filed and waits for somebody to work it off; the text as it came."""
    rows = Submission.objects.quarantined().select_related("submitted_by").order_by("-received", "-pk")
    chosen = Paginator(rows, PAGE).get_page(request.GET.get("page"))
    context = {"page": chosen, "rows": [shown(row) for row in chosen], "may_work_off": may(request.user, "load")}
    return render(request, "pages/quarantine.html", context)


def shown(row) -> dict:
    """One body in quarantine: what is wrong with it in words, its bytes as text."""
    raw = bytes(row.body).decode("utf-8", "replace")
    return {
        "row": row,
        "wrong": [wrong_words(line) for line in row.why.split("; ")],
        "same_id": row.why.startswith("same id"),
        "text": raw[:RAW_SHOWN],
        "more": max(0, len(raw) - RAW_SHOWN),
    }


def wrong_words(line: str) -> str:
    """One line of why, as intake wrote it ("fault 2 part: …"), in words."""
    name, colon, said = line.partition(": ")
    *row, field = name.split(" ")
    if colon and field in FIELDS and (not row or row[0] in ("end", "fault")):
        name = ", ".join([*([" ".join(row)] if row else []), FIELDS[field]])
    return f"{name[:1].upper()}{name[1:]}{colon}{said}"


@require_http_methods(["GET", "HEAD", "POST"])
@require("see control")
def work_off(request, pk):
    """One body in quarantine: what is wrong, and two ways out. A POST takes it off the list with a reason."""
    now = timezone.now()
    rows = Submission.objects.filter(status=Submission.Status.QUARANTINED).select_related("submitted_by")
    row = get_object_or_404(rows, pk=pk)
    may_work_off = may(request.user, "load")
    if request.method != "POST":
        return kept_page(request, row, DealtWithForm(row=row) if may_work_off else None)
    if not may_work_off:
        raise PermissionDenied("load")
    form = DealtWithForm(request.POST, row=row)
    if not form.is_valid():
        return kept_page(request, row, form, status=422)
    try:
        calls.work_off(row, by=request.user, now=now, why=form.cleaned_data["why"])
    except Refused as refused:
        form.add_error(None, str(refused))
        return kept_page(request, row, form, status=409)
    messages.info(request, "It is off the list. What was kept stays kept.")
    return redirect("quarantine")


def kept_page(request, row, form, status=200):
    """The page of one kept body, with what became of it."""
    done = calls.worked_off(row)
    open_form = form if not done or form is None or form.is_bound else None
    context = {"kept": shown(row), "form": open_form, "done": done, "typed": bool(done and form and form.is_bound)}
    return render(request, "pages/kept.html", context, status=status)
