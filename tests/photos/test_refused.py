"""Files that must not get in, whether broken, not a photo, or made to hurt. One line a case: the file, the cause."""

import io
import subprocess
import sys
import textwrap
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest
from PIL import Image, ImageFile

from inspections import redraw
from inspections.redraw import MAX_BYTES, PhotoRefused, clean

from . import makers
from .makers import SCRIPT, after_start, chunk, frames, jpeg, picture, png, saved, segment, zipped

SPOILT = 10_000


def flipped_in_data(image):
    at = image.index(b"IDAT") + 20
    return image[:at] + bytes([image[at] ^ 1]) + image[at + 1 :]


def cut(image, share):
    return image[: int(len(image) * share)]


def bomb_chunk(kind, head):
    return png(32, 32, extra=chunk(kind, head + makers.inflating(200_000_000)))


REFUSED = [
    ("empty", "empty", lambda: b""),
    ("one byte too many", "too_big", lambda: jpeg().ljust(MAX_BYTES + 1, b"\0")),
    ("page", "unsupported_type", lambda: b"<!DOCTYPE html><script>alert(1)</script>"),
    ("drawing with onload", "unsupported_type", lambda: b'<svg xmlns="http://www.w3.org/2000/svg" onload="x()"/>'),
    ("program", "unsupported_type", lambda: b"MZ" + bytes(500)),
    ("archive", "unsupported_type", zipped),
    ("document", "document", lambda: b"%PDF-1.7\n%%EOF\n"),
    ("GIF that is a script", "unsupported_type", lambda: b"GIF89a/*" + bytes(64) + b"*/=1;alert(1)"),
    ("JPEG cut in half", "unreadable", lambda: cut(jpeg(), 0.5)),
    ("JPEG less one byte", "unreadable", lambda: jpeg()[:-1]),
    ("JPEG start alone", "unsupported_type", lambda: b"\xff\xd8"),
    ("JPEG start and a marker", "unreadable", lambda: b"\xff\xd8\xff\xe0"),
    ("PNG cut at two thirds", "unreadable", lambda: cut(saved(picture(), "PNG"), 0.67)),
    ("PNG with one flipped bit", "unreadable", lambda: flipped_in_data(saved(picture(), "PNG"))),
    ("PNG of 2,500 million pixels", "too_many_pixels", makers.one_bit_bomb),
    ("PNG claiming 64 million pixels", "too_many_pixels", lambda: makers.png_claiming(7_999, 7_999)),
    ("PNG 2,147,483,647 wide", "too_many_pixels", lambda: makers.png_claiming(2**31 - 1, 1)),
    ("PNG 12,001 wide", "too_many_pixels", lambda: makers.png_claiming(12_001, 1)),
    ("PNG of no width", "unreadable", lambda: makers.png_claiming(0, 48)),
    ("text chunk that inflates", "unreadable", lambda: bomb_chunk(b"zTXt", b"Comment\0\0")),
    ("profile chunk that inflates", "unreadable", lambda: bomb_chunk(b"iCCP", b"icc\0\0")),
    ("AVIF", "other_camera_type", lambda: b"\0\0\0\x1cftypavif" + bytes(200)),
    ("TIFF", "unsupported_type", lambda: saved(picture(), "TIFF")),
    ("PSD", "unsupported_type", lambda: b"8BPS\0\x01" + bytes(200)),
    ("EPS", "unsupported_type", lambda: b"%!PS-Adobe-3.0 EPSF-3.0\n"),
    ("JPEG claiming 65,500 a side", "too_many_pixels", lambda: makers.jpeg_claiming(65_500, 65_500)),
    ("JPEG of 3,000 scans", "too_many_parts", lambda: makers.many_scans(3_000)),
    ("JPEG of a million segments", "too_many_parts", lambda: after_start(jpeg(), segment(0xFE, b"") * 1_000_000)),
    ("PNG of 500 profiles", "too_many_parts", lambda: png(9, 9, extra=chunk(b"iCCP", b"p\0\0") * 500)),
    ("PNG of 100,000 empty parts", "too_many_parts", lambda: png(9, 9, extra=chunk(b"IDAT") * 100_000)),
    ("WebP cut", "unreadable", lambda: cut(saved(picture(), "WEBP"), 0.5)),
]


@pytest.mark.parametrize(("code", "make"), [case[1:] for case in REFUSED], ids=[case[0] for case in REFUSED])
def test_refused(code, make):
    with pytest.raises(PhotoRefused) as refused:
        clean(make())
    assert refused.value.code == code
    assert "skip it" in refused.value.words
    assert len(refused.value.words) <= 200


def test_the_file_of_exactly_the_cap_is_accepted():
    assert clean(jpeg().ljust(MAX_BYTES, b"\0")).width == 640


def test_cameras_are_well_inside_the_bounds_on_parts():
    image = after_start(jpeg(progressive=True), segment(0xE2, b"x" * 60_000) * 150)
    assert clean(image).width == 640
    assert clean(makers.many_scans(20)).width == 640


def test_pillow_still_refuses_what_is_cut_short():
    assert ImageFile.LOAD_TRUNCATED_IMAGES is False


@pytest.mark.filterwarnings("ignore::UserWarning")
def test_ten_thousand_spoilt_files():
    """Nothing but a clean photo or a refusal in words, whatever chance does to a file."""
    good = [
        jpeg((64, 48), exif=makers.exif(6)),
        jpeg((64, 48), progressive=True, comment=SCRIPT),
        saved(picture((64, 48)), "PNG"),
        saved(picture((64, 48)), "WEBP"),
        frames("PNG", 3),
        frames("WEBP", 3),
    ]
    accepted, refused, longest = 0, 0, 0.0
    for seed in range(SPOILT):
        image, start = makers.spoilt(seed, good), time.perf_counter()
        try:
            photo = clean(image)
        except PhotoRefused as refusal:
            assert refusal.words
            refused += 1
        else:
            assert Image.open(io.BytesIO(photo.jpeg)).size == (photo.width, photo.height)
            accepted += 1
        longest = max(longest, time.perf_counter() - start)
    print(f"accepted {accepted}, refused {refused}, longest {longest:.3f} s")
    assert min(accepted, refused) > SPOILT / 20


def test_two_are_decoded_at_a_time(monkeypatch):
    """Each decode waits for a second one beside it; a third would be counted."""
    pair, at_work, most = threading.Barrier(2, timeout=20), [], []

    def slow(data):
        at_work.append(None)
        pair.wait()
        most.append(len(at_work))
        pair.wait()
        at_work.pop()
        return Image.open(io.BytesIO(data))

    monkeypatch.setitem(redraw.READERS, "JPEG", slow)
    with ThreadPoolExecutor(6) as phones:
        assert [photo.width for photo in phones.map(clean, [jpeg((64, 48))] * 6)] == [64] * 6
    assert most == [2] * 6


def test_bombs_take_no_memory_and_a_large_photo_a_bounded_amount(settings):
    """Peak resident memory of a fresh process, in MB: generous bounds, but a decoded bomb passes all of them."""
    report = textwrap.dedent(
        """
        import django; django.setup()
        from inspections.redraw import PhotoRefused, clean
        from tests.photos import makers
        def peak():
            return int(open("/proc/self/status").read().split("VmHWM:")[1].split()[0]) // 1024
        bombs = [makers.one_bit_bomb(), makers.png_claiming(7_999, 7_999), makers.jpeg_claiming(65_500, 65_500)]
        start = peak()
        for bomb in bombs:
            try: clean(bomb)
            except PhotoRefused as refused: assert refused.code == "too_many_pixels"
            else: raise SystemExit("a bomb was accepted")
        after_bombs = peak()
        clean(makers.png(7_000, 7_000, colour=makers.RGB))
        print(start, after_bombs, peak())
        """
    )
    done = subprocess.run(
        [sys.executable, "-c", report],
        cwd=settings.BASE_DIR,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    start, after_bombs, after_large = map(int, done.stdout.split())
    print(done.stdout)
    assert after_bombs - start < 50
    assert after_large < 900
