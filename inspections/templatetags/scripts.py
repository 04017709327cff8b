"""`{% scripts "page-scripts" %}`: where scripts that come in one answer are (inspections/views/bundle.py)."""

from django import template

from inspections.views import bundle

register = template.Library()
register.simple_tag(bundle.address, name="scripts")
