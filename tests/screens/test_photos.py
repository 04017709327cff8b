"""A photo is shown to its author, control, fitters and managers, and to nobody else."""

from hashlib import sha256
from io import BytesIO
from pathlib import Path

import pytest
from django.conf import settings
from PIL import Image

from inspections import photos
from inspections.models import Observation
from tests.conftest import uuid_of


@pytest.fixture
def stored(cast, report, now):
    report(cast.driver, photos=[str(uuid_of("photo"))])
    file = BytesIO()
    Image.new("RGB", (64, 48), "grey").save(file, "JPEG")
    data = file.getvalue()
    photos.receive(
        uuid=uuid_of("photo"),
        owner=Observation.objects.get().uuid,
        data=data,
        claimed_sha256=sha256(data).hexdigest(),
        by=cast.driver,
        now=now,
    )
    return f"/photos/{uuid_of('photo')}/"


@pytest.mark.parametrize(
    ("who", "status"),
    [
        ("driver", 200),
        ("other_driver", 404),
        ("fitter", 200),
        ("controller", 200),
        ("manager", 200),
        ("outsider", 404),
    ],
)
def test_who_sees_it(cast, stored, client_of, who, status):
    answer = client_of(getattr(cast, who)).get(stored)
    assert answer.status_code == status
    if status == 200:
        assert answer.headers["Content-Type"] == "image/jpeg"
        assert "sandbox" in answer.headers["Content-Security-Policy"]
        assert answer.headers["Cache-Control"] == "no-store"
        assert Image.open(BytesIO(b"".join(answer.streaming_content))).size == (64, 48)


def test_nobody_signed_out_sees_it(stored, client):
    assert client.get(stored).status_code == 302


def test_a_damaged_file_is_said_to_be_damaged(cast, stored, client_of):
    for path in Path(settings.MEDIA_ROOT).rglob("*.jpg"):
        path.chmod(0o640)
        path.write_bytes(path.read_bytes()[:-9])
    answer = client_of(cast.driver).get(stored)
    assert answer.status_code == 410
    assert "damaged" in answer.content.decode()
