"""The store: whole or not there, under its digest, never overwritten. A power cut tests the order of its calls."""

import errno
import hashlib
import os
import stat

import pytest
from django.core.exceptions import SuspiciousFileOperation
from django.core.files.base import ContentFile
from django.core.files.storage import FileSystemStorage, default_storage

from inspections.storage import photo_name, sealed_name

DATA = b"the bytes of a photo"
DIGEST = hashlib.sha256(DATA).hexdigest()
NAME = f"{DIGEST[:2]}/{DIGEST}.jpg"


@pytest.fixture
def calls(monkeypatch):
    """What is asked of the system, in order, as it is carried out: (call, what it was done to)."""
    made, fsync, rename = [], os.fsync, os.rename

    def noting_fsync(handle):
        path = os.readlink(f"/proc/self/fd/{handle}")
        kind = "folder" if stat.S_ISDIR(os.fstat(handle).st_mode) else f"file of {os.path.getsize(path)}"
        made.append((f"fsync {kind}", path))
        fsync(handle)

    def noting_rename(source, target):
        made.append(("rename", str(target)))
        rename(source, target)

    monkeypatch.setattr(os, "fsync", noting_fsync)
    monkeypatch.setattr(os, "rename", noting_rename)
    return made


def keep(data=DATA, name=NAME):
    return default_storage.save(name, ContentFile(data))


def test_names_are_made_from_the_digest():
    assert photo_name(DIGEST) == NAME
    assert sealed_name(DIGEST) == f"sealed/{DIGEST[:2]}/{DIGEST}"


@pytest.mark.parametrize("name", [photo_name(DIGEST), sealed_name(DIGEST)])
def test_kept_whole_and_not_for_everyone(media, files, name):
    assert keep(name=name) == name
    assert files() == [name]
    assert (media / name).read_bytes() == DATA
    assert stat.S_IMODE((media / name).stat().st_mode) == 0o640
    assert default_storage.open(name).read() == DATA


def test_file_then_name_then_folders(media, calls):
    keep(name=sealed_name(DIGEST))
    folder = media / "sealed" / DIGEST[:2]
    assert [call for call, _ in calls] == [f"fsync file of {len(DATA)}", "rename", *["fsync folder"] * 3]
    assert calls[0][1].startswith(f"{folder}/.")
    assert calls[1][1] == str(folder / DIGEST)
    assert [path for _, path in calls[2:]] == [str(folder), str(media / "sealed"), str(media)]


def test_the_stock_store_makes_no_such_calls(tmp_path, calls):
    """Shows that the order above is not there by itself."""
    FileSystemStorage(location=tmp_path).save("a.jpg", ContentFile(DATA))
    assert calls == []


def test_the_same_again_changes_nothing_but_is_made_to_last(media, files, calls):
    keep()
    before = (media / NAME).stat()
    calls.clear()
    assert keep() == NAME
    after = (media / NAME).stat()
    assert (after.st_ino, after.st_mtime_ns) == (before.st_ino, before.st_mtime_ns)
    assert [call for call, _ in calls] == ["fsync folder", "fsync folder"]
    assert files() == [NAME]


def test_a_file_that_is_there_is_never_overwritten(media):
    keep()
    (media / NAME).write_bytes(b"damaged on the disk")
    keep()
    assert (media / NAME).read_bytes() == b"damaged on the disk"


@pytest.mark.parametrize(
    "name",
    [
        "photo.jpg",
        "x.php",
        f"{DIGEST}.jpg",
        f"00/{DIGEST}.jpg",
        f"{DIGEST[:2]}/{DIGEST}.php",
        f"{DIGEST[:2]}/{DIGEST}.jpg\n",
        f"other/{DIGEST[:2]}/{DIGEST}",
        f"../{DIGEST[:2]}/{DIGEST}.jpg",
        f"/{DIGEST[:2]}/{DIGEST}.jpg",
        photo_name(hashlib.sha256(b"other bytes").hexdigest()),
        photo_name(DIGEST.upper()),
        "a" * 5_000,
        f"{DIGEST[:2]}/{DIGEST}.jpg\0",
    ],
)
def test_other_names_are_refused(files, name):
    with pytest.raises(SuspiciousFileOperation):
        keep(name=name)
    assert files() == []


def test_there_is_no_address_to_a_file(media):
    with pytest.raises(SuspiciousFileOperation):
        default_storage.url(keep())


@pytest.mark.parametrize("call", ["fsync", "rename"])
@pytest.mark.parametrize("error", [errno.ENOSPC, errno.EIO])
def test_a_disk_that_fails_leaves_nothing_and_the_next_try_works(files, monkeypatch, call, error):
    def fail(*_):
        raise OSError(error, os.strerror(error))

    with monkeypatch.context() as broken:
        broken.setattr(os, call, fail)
        with pytest.raises(OSError, match=os.strerror(error)):
            keep()
    assert files() == []
    keep()
    assert files() == [NAME]
