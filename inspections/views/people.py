"""People, and ending the sign-ins of a phone that was lost."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth.models import User
from django.core.paginator import Paginator
from django.db.models import Q
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.http import urlencode
from django.views.decorators.http import require_POST, require_safe

from inspections import sign_ins, words
from inspections.bodies import clean_text
from inspections.permissions import CHECKER, ENGINEER, ROLES, require

PAGE = 50
ORDER = (*ROLES, CHECKER, ENGINEER)


@require_safe
@require("end sessions")
def people(request):
    """Everybody who has an account, by name; `q` looks for a part of one."""
    now = timezone.now()
    wanted = clean_text(request.GET.get("q", "")).strip()[:60]
    everybody = User.objects.prefetch_related("groups").order_by("first_name", "last_name", "username")
    for word in wanted.split():
        fits = Q(first_name__icontains=word) | Q(last_name__icontains=word) | Q(username__icontains=word)
        everybody = everybody.filter(fits)
    shown = Paginator(everybody, PAGE).get_page(request.GET.get("page"))
    known = sign_ins.of_everybody(now)
    context = {
        "rows": [row(person, known.get(person.pk, sign_ins.NONE)) for person in shown],
        "page": shown,
        "link": urlencode({"q": wanted}) if wanted else "",
        "wanted": wanted,
        "now": now,
    }
    return render(request, "pages/people.html", context)


def row(person: User, signed_in: sign_ins.SignIns) -> dict:
    """One person: the name, what they may do, their sign-ins."""
    held = {group.name for group in person.groups.all()}
    roles = words.listed(name for name in ORDER if name in held)
    return {"person": person, "name": words.name(person), "roles": roles, "sign_ins": signed_in}


@require_POST
@require("end sessions")
def end_sessions(request, pk):
    """End every sign-in of one person; pressed twice it is done once."""
    person = get_object_or_404(User, pk=pk)
    ended = sign_ins.end(person, by=request.user, now=timezone.now())
    name = words.name(person)
    if person == request.user:
        return redirect("sign-in")
    if ended:
        which = "1 sign-in" if ended == 1 else f"{ended} sign-ins"
        said = f"{which} of {name} ended. What is not sent stays on the phone."
    else:
        said = f"{name} was not signed in anywhere. Nothing was changed."
    messages.info(request, said)
    return redirect("people")
