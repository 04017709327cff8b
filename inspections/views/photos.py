"""Photos, for those who may see them."""

from django.http import FileResponse, Http404, HttpResponse
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_safe

from inspections import photos
from inspections.models import Observation, Photo
from inspections.permissions import may


def may_see(user, row):
    """The one who sent it, the author of what it belongs to, control, fitters, managers."""
    return (
        row.by_id == user.pk or may(user, "see words") or Observation.objects.filter(uuid=row.owner, by=user).exists()
    )


@require_safe
def photo(request, uuid):
    """One photo; 404 for whoever may not see it, as for one that is not there."""
    row = get_object_or_404(Photo.objects.shown(), uuid=uuid)
    if not may_see(request.user, row):
        raise Http404
    try:
        file = photos.open_photo(row)
    except photos.PhotoUnavailable as problem:
        return HttpResponse(problem.words, status=410, content_type="text/plain; charset=utf-8")
    response = FileResponse(file, content_type="image/jpeg")
    response.headers["Content-Disposition"] = f'inline; filename="{row.uuid}.jpg"'
    response.headers["Content-Security-Policy"] = "default-src 'none'; sandbox"
    return response
