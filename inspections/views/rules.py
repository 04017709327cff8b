"""The ruleset as the phone needs it."""

from django.http import JsonResponse
from django.views.decorators.http import require_safe

from inspections import grading
from inspections.permissions import require


@require_safe
@require("see standing")
def table(request):
    """The finished cells of the ruleset in force (`rules.publish.table`)."""
    response = JsonResponse(grading.published())
    response.headers["Cache-Control"] = "private, max-age=300"
    return response
