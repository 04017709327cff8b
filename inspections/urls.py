"""Addresses: plural noun, key, verb last. Names, templates and tests carry the same words."""

urlpatterns = []
