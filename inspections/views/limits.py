"""What people put on a unit and take off: restrictions, labels, isolations; its assistance plan."""

from __future__ import annotations

from django.contrib import messages
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from fleet.models import Unit
from inspections import assistance, grading, in_force, labels, words, workflow
from inspections.forms.acts import LiftForm, RestrictForm
from inspections.forms.limits import AssistanceForm, IsolateForm, LabelForm, OffForm
from inspections.models import Finding, Isolation, Label, Restriction
from inspections.permissions import Refused, may, require

# Acts on a finding with a page of their own → address, words of the link.
PAGES = {
    "defer": ("defer", "Leave it not to repair yet"),
    "move": ("move", "Move it to the right unit, end or part"),
    "merge": ("merge", "Merge it: the same fault as another report"),
    "name repeat": ("repeat", "Say whether it is a fault come back"),
    "decide occurrence": ("occurrence", "Decide whether it is reportable"),
}
TELL = "Tell the driver and whom else it concerns."


def unit_meant(number):
    """The unit and its ends; 404 where there is none."""
    unit = get_object_or_404(Unit, number=number.upper())
    return unit, list(unit.ends.select_related("unit", "pattern").order_by("letter"))


def act_on_unit(request, unit, form, call, done, *, then=None):
    """One act on a unit: `call(values, now)` acts. Back to the unit, or to the finding (ref) it was done for."""
    if not form.is_valid():
        return unit_again(request, unit, form)
    try:
        call(form.cleaned_data, timezone.now())
    except Refused as refused:
        form.add_error(None, str(refused))
        return unit_again(request, unit, form)
    messages.info(request, done)
    return back_to(unit, then and then(form.cleaned_data))


def back_to(unit, ref=""):
    """To the finding's page, else the unit's; a vehicle in no unit has a line on the page of all that is in force."""
    if ref:
        return redirect("finding", ref)
    return redirect("unit", unit.number) if unit else redirect("in-force")


def unit_again(request, unit, form):
    """The form once more, with why it was not done."""
    context = {
        "form": form,
        "possible": True,
        "problem": True,
        "heading": f"{unit or 'Vehicle in no unit'}: {form.words.lower()}",
        "back": reverse("unit", args=[unit.number]) if unit else reverse("in-force"),
        "back_words": f"Back to {unit}" if unit else "Back to what is in force",
    }
    return render(request, "pages/act_refused.html", context, status=422)


def unit_of(row):
    """The unit a row stands on; None for a vehicle that is in none."""
    return row.end.unit if row.end_id else row.unit


def reports_on(unit, now) -> list[tuple[str, str]]:
    """(ref, words) of the unit's open findings."""
    rows = Finding.objects.open().filter(unit=unit).worst_first().for_list()
    return [(line.finding.ref, f"{line.finding}: {line.finding.end_words}, {line.part}. {line.fault}")
            for line in words.lines(rows, grading.ruleset(now), now)]  # fmt: skip


def isolation_words(rules) -> dict[str, str]:
    """Code → what a restriction asks for."""
    return {code: kind.words for code, kind in rules.isolations.items()}


def isolation_names(rules) -> dict[str, str]:
    """Code → what was shut or cut out."""
    return {code: f"{kind.name[:1].upper()}{kind.name[1:]}" for code, kind in rules.isolations.items()}


def restrict_form(data, unit, ends, now, *, findings, because="", primary=False) -> RestrictForm:
    """The form that sets a restriction, with what the ruleset offers."""
    rules = grading.ruleset(now)
    return RestrictForm(
        data,
        unit=unit,
        ends=ends,
        dial_words=rules.dial_words,
        isolations=isolation_words(rules),
        findings=findings,
        because=because,
        primary=primary,
    )


@require_POST
@require("restrict")
def restrict(request, number):
    """A person's limit on an end or a whole unit."""
    unit, ends = unit_meant(number)
    now = timezone.now()
    form = restrict_form(request.POST, unit, ends, now, findings=reports_on(unit, now), primary=True)

    def call(values, now):
        finding = Finding.objects.filter(ref=values["because"]).first() if values["because"] else None
        try:
            workflow.restrict(
                **form.target(unit),
                limits=form.limits(),
                why=values["limits_why"],
                by=request.user,
                now=now,
                uuid=values["uuid"],
                finding=finding,
            )
        except Refused:
            form.renew()
            raise

    return act_on_unit(
        request, unit, form, call, f"The restriction is in force. {TELL}", then=lambda values: values["because"]
    )


@require_POST
@require("lift")
def lift(request, pk):
    """Lift one restriction; the others stay."""
    row = get_object_or_404(Restriction.objects.select_related("end__unit", "unit"), pk=pk)
    form = LiftForm(request.POST, restriction=row, primary=True)
    if row.lifted_by_id == request.user.pk:
        return back_to(unit_of(row))

    def call(values, now):
        workflow.lift(row, by=request.user, now=now, why=values["why"])

    done = "The restriction is lifted. Others may still be in force, and its label may still hang."
    return act_on_unit(request, unit_of(row), form, call, done)


@require_POST
@require("label")
def label(request, number):
    """A label was hung."""
    unit, ends = unit_meant(number)
    now = timezone.now()
    group = in_force.on_unit(unit, request.user, now)
    form = LabelForm(request.POST, unit=unit, ends=ends, primary=True, restrictions=restrictions_shown(group))

    def call(values, now):
        labels.hang(
            number=values["number"],
            **form.target(),
            shows=values["shows"],
            restriction=values["row"],
            by=request.user,
            now=now,
        )

    return act_on_unit(request, unit, form, call, "It is recorded that the label hangs.")


def restrictions_shown(group) -> list[tuple[Restriction, str]]:
    """The restrictions in force of a group, with their place and limits in words, for a label to show."""
    items = {item.row: item for item in group.only(["restriction"])}
    rows = Restriction.objects.filter(pk__in=items).select_related("end__unit", "unit").order_by("since", "pk")
    return [(row, f"{items[row.pk].where}: {' '.join(items[row.pk].stops)}") for row in rows]


@require_POST
@require("label")
def take_down(request, pk):
    """A label was taken down; its restriction stays."""
    row = get_object_or_404(Label.objects.select_related("end__unit", "unit"), pk=pk)
    done = "It is recorded that the label was taken down. Its restriction stays until control lifts it."
    return take_off(request, row, labels.take_down, "take-down", "The label is down", done)


@require_POST
@require("isolate")
def isolate(request, number):
    """Something was shut or cut out."""
    unit, ends = unit_meant(number)
    now = timezone.now()
    names = isolation_names(grading.ruleset(now))
    form = IsolateForm(
        request.POST, unit=unit, ends=ends, primary=True, isolations=names, findings=reports_on(unit, now)
    )

    def call(values, now):
        finding = Finding.objects.filter(ref=values["because"]).first() if values["because"] else None
        labels.isolate(
            kind=values["kind"],
            **form.target(),
            where=values["place"],
            key=values["key"],
            by=request.user,
            now=now,
            finding=finding,
        )

    return act_on_unit(request, unit, form, call, f"The isolation is recorded, with the limits it brings. {TELL}")


@require_POST
@require("isolate")
def restore(request, pk):
    """An isolation was removed."""
    row = get_object_or_404(Isolation.objects.select_related("end__unit", "unit"), pk=pk)
    return take_off(request, row, labels.restore, "restore", "The isolation is removed", f"It is recorded. {TELL}")


def take_off(request, row, act, name, words_, done):
    """Take off what is on; a second press of the same person is no error."""
    form = OffForm(request.POST, act=name, words=words_, pk=row.pk, primary=True)
    if row.off_by_id == request.user.pk:
        return back_to(unit_of(row))

    def call(values, now):
        act(row, by=request.user, now=now)

    return act_on_unit(request, unit_of(row), form, call, done)


@require_POST
@require(assistance.ACT)
def plan_assistance(request, number):
    """How a unit with neither end usable would be got away."""
    unit, _ = unit_meant(number)
    form = AssistanceForm(request.POST, unit=unit, primary=True)

    def call(values, now):
        assistance.plan(
            unit, how=values["way"], means=values["means"], whom=values["agreed"], by=request.user, now=now
        )

    return act_on_unit(request, unit, form, call, f"The assistance plan is recorded. {TELL}")


def pages_offered(told, open_to) -> list[tuple[str, str]]:
    """(address, words) of a finding's acts with a page of their own. `told`: case.Case; `open_to`: acts open now.

    An occurrence only where a hazard of its grade may make it one.
    """
    offered = [act for act in PAGES if act in open_to]
    if not told.occurrence and not told.decided and "decide occurrence" in offered:
        offered.remove("decide occurrence")
    return [(reverse(PAGES[act][0], args=[told.finding.ref]), PAGES[act][1]) for act in offered]


def restrict_because(finding, user, now) -> RestrictForm | None:
    """The form that sets a restriction because of a finding; None for whoever may not, or where no unit is named."""
    if not finding.unit_id or not finding.is_open or not may(user, "restrict"):
        return None
    ends, said = list(finding.unit.ends.all()), [(finding.ref, str(finding))]
    form = restrict_form(None, finding.unit, ends, now, findings=said, because=finding.ref)
    form.initial["where"] = finding.end.letter if finding.end in ends else "unit"
    return form


def in_force_on(unit, user, now) -> dict:
    """What the unit's page shows of it: the group, each line with the form that takes it off, and forms to add."""
    group = in_force.on_unit(unit, user, now)
    ends = [known.end for known in group.standings]
    rules = grading.ruleset(now)
    forms = []
    reports = reports_on(unit, now) if may(user, "restrict") or may(user, "isolate") else []
    if may(user, "restrict"):
        forms.append(restrict_form(None, unit, ends, now, findings=reports))
    if may(user, "label"):
        forms.append(LabelForm(unit=unit, ends=ends, restrictions=restrictions_shown(group)))
    if may(user, "isolate"):
        forms.append(IsolateForm(unit=unit, ends=ends, isolations=isolation_names(rules), findings=reports))
    assists = bool(group.need) and may(user, assistance.ACT)
    return {
        "group": group,
        "kinds": [(kind, title, with_forms(group.only([kind]), user)) for kind, title in in_force.KINDS.items()],
        "forms": forms,
        "assistance_form": AssistanceForm(unit=unit) if assists else None,
        "named": may(user, "see words"),
    }


def with_forms(items, user) -> list[tuple]:
    """(item, form that takes it off or None)."""
    makers = {
        "restriction": ("lift", lambda pk: LiftForm(restriction=Restriction(pk=pk))),
        "label": ("label", lambda pk: OffForm(act="take-down", words="The label is down", pk=pk)),
        "isolation": ("isolate", lambda pk: OffForm(act="restore", words="The isolation is removed", pk=pk)),
    }
    made = []
    for item in items:
        act, make = makers.get(item.kind, ("", None))
        made.append((item, make(item.row) if make and may(user, act) else None))
    return made
