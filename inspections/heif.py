"""HEIC photos, opened by a child process: a file that breaks the decoder breaks nothing here.

Some phones can send nothing else, and the decoder is a large library that reads hostile bytes. So it never runs in
the server: `heif_child.py` gets the bytes and no more (no environment, no files, bounded memory and time), and what
it gives back is believed only as far as it is plain pixels of a size that was asked for.
"""

import logging
import signal
import subprocess
import sys
from pathlib import Path

from PIL import Image

logger = logging.getLogger(__name__)

# On a machine that has other things to do; the child's own limit is on the work it does.
SECONDS = 30
CHILD = Path(__file__).with_name("heif_child.py")
TOO_MANY_PIXELS, UNREADABLE = 3, 4
BRANDS = frozenset({b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"hevm", b"hevs"})


class NotNow(OSError):
    """This machine could not run the decoder. It says nothing about the photo, which may come again."""


class NotOpened(Exception):
    """The photo did not open; `code` is one of REFUSED in `redraw.py`."""

    def __init__(self, code):
        self.code = code
        super().__init__(code)


def is_heif(data: bytes) -> bool:
    """True when the bytes begin as a HEIC file does, by its own brand or by those it says it is compatible with."""
    if data[4:8] != b"ftyp" or data[8:12] in (b"avif", b"avis"):
        return False
    end = min(int.from_bytes(data[:4]), 256)
    return data[8:12] in BRANDS or any(data[at : at + 4] in BRANDS for at in range(16, end, 4))


def opened(data: bytes, *, shown_side: int, most_pixels: int, most_side: int) -> Image.Image:
    """The picture, upright, in RGB or RGBA, no side longer than `shown_side`.

    Raises NotOpened where the file is at fault, ValueError where the answer makes no sense, NotNow where this
    machine is at fault. The child is gone when this returns.
    """
    limits = [str(number) for number in (shown_side, most_pixels, most_side)]
    try:
        # No shell, no environment (it may hold secrets), and -P: this folder is not to be searched for modules.
        child = subprocess.run(  # noqa: S603
            [sys.executable, "-P", str(CHILD), *limits],
            input=data,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={},
            cwd="/",
            timeout=SECONDS,
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise NotOpened("too_slow") from error
    except OSError as error:
        raise NotNow(f"the decoder could not be started: {error}") from error
    if child.returncode:
        raise failure(child.returncode)
    return picture_of(child.stdout, shown_side)


def failure(status: int) -> Exception:
    """What the child's exit status says: below zero it was ended by that signal."""
    if status == TOO_MANY_PIXELS:
        return NotOpened("too_many_pixels")
    if -status in (signal.SIGXCPU, signal.SIGKILL):
        return NotOpened("too_slow")
    if status == UNREADABLE or status < 0:
        return NotOpened("unreadable")
    logger.error("The decoder of HEIC photos does not work: exit status %s.", status)
    return NotNow(f"the decoder ended with status {status}")


def picture_of(answer: bytes, shown_side: int) -> Image.Image:
    """The pixels the child wrote, checked against the size it names."""
    head, _, pixels = answer.partition(b"\n")
    mode, width, height = head.decode("ascii").split()
    size = int(width), int(height)
    if mode not in ("RGB", "RGBA") or not 0 < min(size) <= max(size) <= shown_side:
        raise ValueError("no such picture was asked for")
    if len(pixels) != size[0] * size[1] * len(mode):
        raise ValueError("the pixels do not fit the size")
    return Image.frombytes(mode, size, pixels)
