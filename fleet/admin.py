"""Reference data only."""

from django.contrib import admin

from fleet.models import Coupler, CouplerEnd, CouplerPattern, FleetEvent, Place, Unit, UnitType

admin.site.register([UnitType, CouplerPattern, Coupler])


@admin.register(Place)
class PlaceAdmin(admin.ModelAdmin):
    list_display = ["code", "name", "kind", "remote"]


@admin.register(Unit)
class UnitAdmin(admin.ModelAdmin):
    list_display = ["number", "type", "home", "status"]
    search_fields = ["number"]


@admin.register(CouplerEnd)
class CouplerEndAdmin(admin.ModelAdmin):
    list_display = ["vehicle", "unit", "letter", "pattern"]
    list_select_related = ["unit", "pattern"]
    search_fields = ["vehicle", "unit__number"]


@admin.register(FleetEvent)
class FleetEventAdmin(admin.ModelAdmin):
    list_display = ["unit", "kind", "since", "until"]
    list_select_related = ["unit"]
    search_fields = ["unit__number"]
