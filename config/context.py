"""What every template may use."""

from django.conf import settings


def everywhere(request):
    """Control's number, the operator's name; both come from the environment."""
    return {"control_phone": settings.CONTROL_PHONE, "operator": settings.OPERATOR}
