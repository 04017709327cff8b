"""Where photos are kept: a file is wholly on the disk, under its digest, before any row names it.

Order of a save: write beside the final place, fsync the file, rename, fsync the folders. A power cut leaves
at worst an unfinished `.tmp` file, never half a photo under a good name. Files are never overwritten.
"""

import contextlib
import hashlib
import os
import re
import tempfile
from pathlib import Path

from django.core.exceptions import SuspiciousFileOperation
from django.core.files.storage import FileSystemStorage

FILE_MODE = 0o640
NAME = re.compile(r"(?:sealed/)?([0-9a-f]{2})/(\1[0-9a-f]{62})(?:\.jpg)?")


def photo_name(sha256):
    """The stored name of a photo that may be shown; `sha256` is the hex digest of the stored JPEG."""
    return f"{sha256[:2]}/{sha256}.jpg"


def sealed_name(sha256):
    """The stored name of bytes as received that are kept but never served; `sha256` is their hex digest."""
    return f"sealed/{sha256[:2]}/{sha256}"


class DurableStorage(FileSystemStorage):
    """Files named by the SHA-256 of their content, written so that they survive a power cut.

    `save(name, content)` returns `name`. It raises SuspiciousFileOperation when the name is not made by
    `photo_name` or `sealed_name` from these very bytes, and OSError when the disk will not take them. Saving
    the same content again changes nothing.
    """

    def get_available_name(self, name, max_length=None):
        """The name itself: the same name means the same bytes, so there is nothing to dodge."""
        return name

    def url(self, name):
        """No file has an address of its own; a view that checks who asks serves it."""
        raise SuspiciousFileOperation("Photos are served by a view, never by an address of their own.")

    def _save(self, name, content):
        content.seek(0)
        data = content.read()
        known = NAME.fullmatch(name)
        if known is None or known[2] != hashlib.sha256(data).hexdigest():
            raise SuspiciousFileOperation("A stored file is named by the digest of its bytes.")
        place = Path(self.path(name))
        place.parent.mkdir(parents=True, exist_ok=True)
        if not place.exists():
            _write(place, data)
        # Also when it was there already: another thread may have renamed it and not yet made that last.
        for folder in _folders(place, Path(self.location)):
            _sync_folder(folder)
        return name


def _write(place, data):
    """Put `data` at `place` in one step; a failure leaves nothing behind."""
    handle, temporary = tempfile.mkstemp(dir=place.parent, prefix=".", suffix=".tmp")
    try:
        with os.fdopen(handle, "wb") as file:
            os.fchmod(file.fileno(), FILE_MODE)
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.rename(temporary, place)
    except BaseException:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(temporary)
        raise


def _folders(place, root):
    """The folders from the file's own up to the root: a new folder's own entry must last too."""
    return [folder for folder in place.parents if folder == root or root in folder.parents]


def _sync_folder(folder):
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
