"""Photos, for those who may see them."""

from django.http import FileResponse, Http404
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_safe

from inspections import photos
from inspections.models import Photo
from inspections.permissions import may


@require_safe
def photo(request, uuid):
    """One photo; 404 for whoever may not see it, as for one that is not there."""
    row = get_object_or_404(Photo.objects.shown(), uuid=uuid)
    if row.by_id != request.user.pk and not may(request.user, "see words"):
        raise Http404
    response = FileResponse(photos.open_photo(row), content_type="image/jpeg")
    response.headers["Content-Disposition"] = f'inline; filename="{row.uuid}.jpg"'
    response.headers["Content-Security-Policy"] = "default-src 'none'; sandbox"
    return response
