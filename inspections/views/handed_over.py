"""Control loads the hand-over file of a phone."""

from django.shortcuts import render
from django.views.decorators.http import require_http_methods

from inspections.permissions import require


@require_http_methods(["GET", "HEAD", "POST"])
@require("load")
def handed_over(request):
    """The form that takes the file."""
    return render(request, "pages/handed_over.html")
