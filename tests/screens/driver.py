"""Steps the tests of a driver's pages share: the report page opened and answered, a small photo."""

import io
from uuid import UUID

from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image

from inspections.forms.report import IDS
from inspections.models import Submission

TORN = {"unit": "201", "end": "A", "part": "air-upper", "sign": "seal-torn", "situation": "U"}


def opened(client, query="?unit=201"):
    """The hidden fields of a report page just opened, and the lines that have an answer already."""
    form = client.get(f"/reports/new/{query}").context["form"]
    return {name: str(form[name].value() or "") for name in (*IDS, "made", "kept", "found", "occasion", "unit")}


def answered(client, **answers):
    """What a browser would post for the common report; `answers` replaces or adds."""
    return opened(client) | TORN | answers


def sent(client, **answers):
    """Send a report; gives (response, its submission or None)."""
    data = answered(client, **answers)
    response = client.post("/reports/new/", data)
    return response, Submission.objects.filter(uuid=UUID(data["id"])).first()


def picture(colour="red", name="photo.jpg", size=(40, 30)):
    """A JPEG file of one colour."""
    out = io.BytesIO()
    Image.new("RGB", size, colour).save(out, "JPEG")
    return SimpleUploadedFile(name, out.getvalue(), "image/jpeg")
