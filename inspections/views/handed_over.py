"""Control loads the hand-over file of a phone."""

from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from inspections import handed_over as files
from inspections.forms.handed_over import HandedOverForm
from inspections.permissions import require


@require_http_methods(["GET", "HEAD", "POST"])
@require("load")
def handed_over(request):
    """The form, and what became of each report. Nothing redirects: loading the same file again changes nothing."""
    if request.method != "POST":
        return page(request, HandedOverForm())
    form = HandedOverForm(request.POST, request.FILES)
    if not form.is_valid():
        return page(request, form, status=422)
    raw = form.cleaned_data["file"]
    try:
        lines = files.load(raw, by=request.user, now=timezone.now())
    except files.NotHandedOver as refused:
        form.add_error("file", str(refused))
        return page(request, form, status=413 if len(raw) > files.MAX_BYTES else 422)
    return page(request, HandedOverForm(), lines)


def page(request, form, lines=(), status=200):
    """The page with the count of each outcome above the outcomes."""
    counts = {state: sum(line.state == state for line in lines) for state in ("new", "again", "kept apart", "left")}
    context = {
        "form": form,
        "lines": lines,
        "new": counts["new"],
        "again": counts["again"],
        "apart": counts["kept apart"],
        "left": counts["left"],
    }
    return render(request, "pages/handed_over.html", context, status=status)
