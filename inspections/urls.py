"""Addresses: plural noun, key, verb last. Names, templates and tests carry the same words."""

from django.urls import path, register_converter

from inspections.views import (
    accounts,
    acts,
    alerts,
    bundle,
    calls,
    cards,
    counts,
    couple,
    couplers,
    couplings,
    deferrals,
    finding_log,
    findings,
    fleet_actions,
    gauges,
    handed_over,
    handover,
    in_force,
    leak,
    limits,
    mates,
    moves,
    people,
    phone,
    photos,
    recurring,
    repairing,
    reports,
    reviews,
    rules,
    rulesets,
    start,
    units,
    work,
    working,
)


class Reference:
    """Eight digits; whether they fit together is for the view to say in words."""

    regex = r"[0-9]{8}"

    def to_python(self, value):
        return value

    def to_url(self, value):
        return value


class Digest:
    """The first twelve letters of a ruleset's digest."""

    regex = r"[0-9a-f]{12}"

    def to_python(self, value):
        return value

    def to_url(self, value):
        return value


class Letter:
    regex = "[AB]"

    def to_python(self, value):
        return value

    def to_url(self, value):
        return value


register_converter(Reference, "ref")
register_converter(Letter, "letter")
register_converter(Digest, "digest")

urlpatterns = [
    path("", start.start, name="start"),
    path("sign-in/", accounts.sign_in, name="sign-in"),
    path("sign-out/", accounts.sign_out, name="sign-out"),
    path("password/", accounts.password, name="password"),
    path("sw.js", phone.worker, name="worker"),
    path("manifest.webmanifest", phone.manifest, name="manifest"),
    path("phone/", phone.shell, name="shell"),
    path("phone/report/", phone.report_shell, name="report-shell"),
    path("phone/coupling/", couplings.coupling_shell, name="coupling-shell"),
    path("phone/mates/", couplings.known_mates, name="known-mates"),
    path("phone/page.js", bundle.scripts, {"bundle": "page-scripts"}, name="page-scripts"),
    path("phone/late.js", bundle.scripts, {"bundle": "late-scripts"}, name="late-scripts"),
    path("phone/session/", phone.session, name="session"),
    path("phone/facts/", phone.facts, name="facts"),
    path("phone/receipts/", phone.what_became, name="what-became"),
    path("phone/reports/<uuid:uuid>/", phone.put_report, name="put-report"),
    path("phone/faults/<uuid:owner>/photos/<uuid:uuid>/", phone.put_photo, name="put-photo"),
    path("people/", people.people, name="people"),
    path("people/<int:pk>/end-sessions/", people.end_sessions, name="end-sessions"),
    path("units/", units.units, name="units"),
    path("units/pick/", units.pick, name="pick"),
    path("units/<str:number>/", units.unit, name="unit"),
    path("units/<str:number>/restrict/", limits.restrict, name="restrict"),
    path("units/<str:number>/label/", limits.label, name="label"),
    path("units/<str:number>/isolate/", limits.isolate, name="isolate"),
    path("units/<str:number>/assistance/", limits.plan_assistance, name="assistance"),
    path("units/<str:number>/repaired/", repairing.repaired, name="repaired"),
    path("restrictions/<int:pk>/lift/", limits.lift, name="lift"),
    path("labels/<int:pk>/take-down/", limits.take_down, name="take-down"),
    path("isolations/<int:pk>/restore/", limits.restore, name="restore"),
    path("deferrals/<int:pk>/agree/", deferrals.agree, name="agree"),
    path("deferrals/<int:pk>/extend/", deferrals.extend, name="extend"),
    path("deferrals/<int:pk>/recall/", deferrals.recall, name="recall"),
    path("in-force/", in_force.everything, name="in-force"),
    path("reports/", reports.mine, name="my-reports"),
    path("reports/new/", reports.report, name="report"),
    path("reports/handed-over/", handed_over.handed_over, name="handed-over"),
    path("reports/quarantine/", calls.quarantine, name="quarantine"),
    path("reports/quarantine/<int:pk>/", calls.work_off, name="work-off"),
    path("calls/new/", calls.call_new, name="call-new"),
    path("reports/<uuid:uuid>/", reports.receipt, name="receipt"),
    path("reports/<uuid:uuid>/photos/", reports.add_photo, name="add-photo"),
    path("photos/<uuid:uuid>/", photos.photo, name="photo"),
    path("findings/", findings.find, name="find"),
    path("findings/new/", findings.new, name="new-reports"),
    path("findings/<ref:ref>/", findings.finding, name="finding"),
    path("findings/<ref:ref>/log/", finding_log.finding_log, name="finding-log"),
    path("findings/<ref:ref>/look/", acts.look, name="look"),
    path("findings/<ref:ref>/tell/", acts.tell, name="tell"),
    path("findings/<ref:ref>/raise/", acts.raise_category, name="raise"),
    path("findings/<ref:ref>/plan/", acts.plan, name="plan"),
    path("findings/<ref:ref>/take/", acts.take, name="take"),
    path("findings/<ref:ref>/withdraw/", acts.withdraw, name="withdraw"),
    path("findings/<ref:ref>/merge/", moves.merge, name="merge"),
    path("findings/<ref:ref>/move/", moves.move, name="move"),
    path("findings/<ref:ref>/moved/", moves.moved_page, name="moved"),
    path("findings/<ref:ref>/repeat/", moves.repeat, name="repeat"),
    path("findings/<ref:ref>/occurrence/", moves.occurrence, name="occurrence"),
    path("findings/<ref:ref>/defer/", deferrals.defer, name="defer"),
    path("findings/<ref:ref>/examine/", working.examine, name="examine"),
    path("findings/<ref:ref>/make-safe/", working.make_safe, name="make-safe"),
    path("findings/<ref:ref>/put-back/", working.put_back, name="put-back"),
    path("findings/<ref:ref>/leak/", leak.leak_test, name="leak"),
    path("findings/<ref:ref>/close/", acts.close, name="close"),
    path("findings/<ref:ref>/check/", acts.check, name="check"),
    path("F/<ref:ref>/", findings.short, name="short"),
    path("alerts/", alerts.alerts, name="alerts"),
    path("alerts/<int:pk>/end/", alerts.end, name="end-alert"),
    path("alerts/hoods/", alerts.hoods, name="hoods"),
    path("alerts/hoods/<int:pk>/confirm/", alerts.confirm_hood, name="confirm-hood"),
    path("counts/", counts.counts, name="counts"),
    path("handover/", handover.handover, name="handover"),
    path("mates/", mates.mates, name="mates"),
    path("couple/", couple.couple, name="couple"),
    path("couplers/<str:serial>/", couplers.coupler, name="coupler"),
    path("couplings/new/", couplings.coupling_new, name="coupling-new"),
    path("couplings/import/", couplings.couplings_import, name="couplings-import"),
    path("work/", work.work, name="work"),
    path("work/pack/", cards.pack, name="pack"),
    path("work/pack.pdf", cards.pack_pdf, name="pack-pdf"),
    path("gauges/", gauges.gauges, name="gauges"),
    path("gauges/new/", gauges.gauge_new, name="gauge-new"),
    path("gauges/<int:pk>/", gauges.gauge, name="gauge"),
    path("gauges/<int:pk>/calibrate/", gauges.calibrate, name="calibrate"),
    path("gauges/<int:pk>/retire/", gauges.retire, name="retire"),
    path("visits/<int:pk>/<letter:letter>/card.pdf", cards.card, name="card"),
    path("recurring/", recurring.recurring, name="recurring"),
    path("recurring/<slug:table>.csv", recurring.csv_table, name="recurring-csv"),
    path("recurring/tables.xlsx", recurring.workbook, name="recurring-workbook"),
    path("recurring/reviews/", reviews.review_list, name="reviews"),
    path("recurring/reviews/make/", reviews.make, name="review-make"),
    path("recurring/reviews/<int:year>-<int:month>.pdf", reviews.pdf, name="review-pdf"),
    path("recurring/ends/<int:pk>/", recurring.end_history, name="end-history"),
    path("recurring/places/<str:code>/", recurring.place_history, name="place-history"),
    path("recurring/parts/<slug:code>/", recurring.part_history, name="part-history"),
    path("actions/", fleet_actions.actions, name="actions"),
    path("actions/new/", fleet_actions.new, name="action-new"),
    path("actions/<int:pk>/", fleet_actions.action, name="action"),
    path("actions/<int:pk>/end/", fleet_actions.end, name="action-end"),
    path("actions/items/<int:pk>/done/", fleet_actions.done, name="action-done"),
    path("rules/", rulesets.rulesets, name="rulesets"),
    path("rules/new/", rulesets.candidate, name="candidate"),
    path("rules/table.json", rules.table, name="rules-table"),
    path("rules/try/", rules.try_it, name="try-it"),
    path("rules/glossary/", rules.glossary, name="glossary"),
    path("rules/<digest:digest>/", rulesets.ruleset, name="ruleset"),
    path("rules/<digest:digest>.toml", rulesets.document, name="ruleset-document"),
    path("rules/<digest:digest>/compare/", rulesets.compare, name="compare"),
    path("rules/<digest:digest>/what-if/", rulesets.try_out, name="what-if"),
    path("rules/<digest:digest>/put-in-force/", rulesets.put_in_force, name="put-in-force"),
]
