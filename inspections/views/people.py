"""People, and ending the sign-ins of a phone that was lost."""

from __future__ import annotations

from django.contrib.auth.models import User
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST, require_safe

from inspections.permissions import require


@require_safe
@require("end sessions")
def people(request):
    """Everybody who may sign in."""
    return render(request, "pages/people.html", {"people": User.objects.order_by("username")})


@require_POST
@require("end sessions")
def end_sessions(request, pk):
    """End every sign-in of one person."""
    get_object_or_404(User, pk=pk)
    return redirect("people")
