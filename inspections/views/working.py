"""The fitter's pages between taking a job and signing it. GET shows the page, POST acts."""

from __future__ import annotations

from django.shortcuts import render

from inspections import case, grading, working
from inspections.forms.close import FoundForm
from inspections.forms.working import ExamineForm, MakeSafeForm, PutBackForm, found_offered, found_words
from inspections.views import keeping
from inspections.views.acts import Page, Repeat, act_on, asked, context
from inspections.views.moves import page_of


@page_of("examine")
def examine(request, finding, now, posted):
    """First what was found, asked by GET; then the facts of that fault, and words."""
    rules = grading.ruleset(now)
    source = posted if posted is not None else request.GET
    question = {"finding": finding, "rules": rules, "address": "examine", "offered": found_offered(finding, rules)}
    chosen = FoundForm({"found": source.get("found", "")}, **question)
    if not chosen.is_valid():
        shown = chosen if "found" in source else FoundForm(**question)
        return which(request, finding, shown, now, status=422 if "found" in source else 200)
    found = chosen.cleaned_data["found"]
    form = ExamineForm(posted, finding=finding, now=now, primary=True, found=found)
    page = Page(
        "pages/examine.html", about=lambda finding: take_care(finding, rules) | {"chosen": found_words(rules, found)}
    )
    if posted is None:
        return asked(request, form, page)

    def call(finding, values, now):
        working.examine(
            finding, version=values["version"], by=request.user, now=now, work=form.work(), uuid=values["uuid"]
        )

    done = "The examination is saved and the fault is graded with it. It stays open until the work is signed."
    answer = act_on(
        request,
        form,
        call,
        done=done,
        page=page,
        repeat=lambda v: Repeat("examined", {"observation": str(v["uuid"])}),
    )
    return keeping.done(request, answer, form.kept)


def take_care(finding, rules):
    """The fitter's cautions for what this may be."""
    return {"cautions": case.cautions(finding, rules, "fitter")}


def which(request, finding, question, now, status):
    """The page that asks what was found."""
    form = ExamineForm(finding=finding, now=now, found="")
    more = take_care(finding, grading.ruleset(now)) | {"which": question, "problem": status != 200}
    return render(request, "pages/examine.html", context(request, finding, form, Page()) | more, status=status)


@page_of("make safe")
def make_safe(request, finding, now, posted):
    """What was secured or shut, so that it can do no harm."""
    form = MakeSafeForm(posted, finding=finding, now=now, primary=True)
    page = Page("pages/make_safe.html", about=lambda finding: take_care(finding, grading.ruleset(now)))
    if posted is None:
        return asked(request, form, page)

    def call(finding, values, now):
        working.make_safe(
            finding,
            version=values["version"],
            by=request.user,
            now=now,
            done=values["done"],
            secured=values["secured"],
            shut=form.shut(),
            uuid=values["uuid"],
        )

    done = "It is recorded as made safe. The fault stays open, with the limits shown here."
    answer = act_on(
        request,
        form,
        call,
        done=done,
        page=page,
        repeat=lambda v: Repeat("made safe", {"observation": str(v["uuid"])}),
    )
    return keeping.done(request, answer, form.kept)


@page_of("put back")
def put_back(request, finding, now, posted):
    """The job goes back, with the state it is left in."""
    form = PutBackForm(posted, finding=finding, now=now, primary=True)
    page = Page("pages/put_back.html", about=lambda finding: {"shut": shut_for(finding, now)})
    if posted is None:
        return asked(request, form, page)

    def call(finding, values, now):
        said = {name: values[name] for name in ("parts_off", "isolated", "key", "note")}
        working.put_back(finding, version=values["version"], by=request.user, now=now, **said)

    done = "Put back. Whoever takes it next sees the state you left it in."
    answer = act_on(
        request, form, call, done=done, page=page, repeat=lambda v: Repeat("put back", {"note": v["note"]})
    )
    return keeping.done(request, answer, form.kept)


def shut_for(finding, now):
    """What is isolated because of this finding and not restored, in words."""
    rules = grading.ruleset(now)
    names = {code: kind.name for code, kind in rules.isolations.items()}
    rows = finding.isolations.in_force(now)
    return [(names.get(row.kind, row.kind).capitalize(), row.where, row.key) for row in rows]
