import pytest
from django.contrib.auth import get_user_model
from django.core.files.storage import default_storage

from inspections import triggers


@pytest.fixture
def media(settings, tmp_path):
    """An empty folder for photos, in use by the default storage."""
    backend = settings.STORAGES["default"]["BACKEND"]
    settings.STORAGES = {**settings.STORAGES, "default": {"BACKEND": backend, "OPTIONS": {"location": tmp_path}}}
    assert default_storage.path("x") == str(tmp_path / "x")
    return tmp_path


@pytest.fixture
def sender(db):
    return get_user_model().objects.create_user("sender")


@pytest.fixture
def files(media):
    """Names of all files kept, unfinished ones too."""
    return lambda: sorted(str(path.relative_to(media)) for path in media.rglob("*") if path.is_file())


@pytest.fixture
def flushed(db):
    """For tests with real transactions: the log's triggers go before the flush, which creates them again."""
    yield
    triggers.drop()
