"""Monthly reviews: which months are frozen, freezing one, its paper."""

from __future__ import annotations

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_POST, require_safe

from inspections import reviews as paper
from inspections import words
from inspections.history import reviews
from inspections.models import Review
from inspections.permissions import Refused, may, require


@require_safe
@require("see recurring")
def review_list(request):
    """Months reviewed, newest first; the button for the last month that is over."""
    now = timezone.now()
    last = reviews.last_over(now)
    rows = Review.objects.select_related("by").defer("figures")
    context = {
        "reviews": [
            {"row": row, "first": reviews.first_of(row.month), "by": words.name(row.by) if row.by else ""}
            for row in rows
        ],
        "waiting": reviews.first_of(last) if not any(row.month == last for row in rows) else None,
        "may_make": may(request.user, "review"),
        "now": now,
    }
    return render(request, "pages/reviews.html", context)


@require_POST
@require("review")
def make(request):
    """Freeze the last month that is over; a second press finds it made."""
    now = timezone.now()
    try:
        review = reviews.freeze(reviews.last_over(now), now=now, by=request.user)
    except Refused as refused:
        messages.warning(request, str(refused))
    else:
        messages.info(request, f"{reviews.first_of(review.month):%B %Y} is reviewed. Its figures stay as they are.")
    return redirect("reviews")


@require_safe
@require("see recurring")
def pdf(request, year, month):
    """The paper of one month."""
    if not 1 <= month <= 12:
        raise Http404("There is no such month.")
    review = get_object_or_404(Review, month=year * 12 + month - 1)
    response = HttpResponse(paper.pdf(review), content_type="application/pdf")
    name = f"coupler-review-{year}-{month:02}.pdf"
    response.headers["Content-Disposition"] = content_disposition_header(as_attachment=False, filename=name)
    return response
