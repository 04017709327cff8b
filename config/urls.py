"""Every address of the site."""

from django.contrib import admin
from django.urls import include, path

urlpatterns = [
    path("admin/", admin.site.urls),
    path("", include("inspections.urls")),
]
handler400 = "inspections.views.errors.bad_request"
handler403 = "inspections.views.errors.no_access"
handler404 = "inspections.views.errors.not_found"
handler500 = "inspections.views.errors.server_fault"
