"""Every kind of file a phone, or somebody unkind, may send. One line a case: the file, and what becomes of it."""

import hashlib
import io
import struct
import subprocess
import sys
import textwrap
import threading
import zipfile
from concurrent.futures import ThreadPoolExecutor

import pytest
from PIL import Image, ImageFile

from inspections import photos
from inspections.photos import MAX_BYTES, CleanPhoto, PhotoRefused, clean

from . import makers
from .makers import SCRIPT, after_start, chunk, frames, jpeg, picture, png, saved, segment
from .spoil import spoil


def zipped():
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("word/document.xml", "<w:document/>")
    return out.getvalue()


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
    ("HEIC", "other_camera_type", lambda: b"\0\0\0\x18ftypheic" + bytes(200)),
    ("HEIC cut", "other_camera_type", lambda: b"\0\0\0\x18ftyphei"),
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


BROKEN_EXIF = b"Exif\0\0II*\0\x08\0\0\0\xff\xff" + b"\x12\x01\x03\0\xff\xff\xff\xff" * 3

ACCEPTED = [
    ("JPEG", lambda: jpeg()),
    ("PNG", lambda: saved(picture(), "PNG")),
    ("WebP", lambda: saved(picture(), "WEBP")),
    ("script behind it", lambda: jpeg() + SCRIPT),
    ("archive behind it", lambda: jpeg() + zipped() + SCRIPT),
    ("comment with a script", lambda: jpeg(comment=SCRIPT)),
    ("comment and profile", lambda: jpeg(comment=SCRIPT, icc_profile=SCRIPT * 9)),
    ("text chunk with a script", lambda: png(64, 48, extra=chunk(b"tEXt", b"Comment\0" + SCRIPT))),
    ("place, maker, turned", lambda: jpeg(exif=makers.exif(6))),
    ("stereo pair", lambda: saved(picture(), "MPO", save_all=True, append_images=[picture((64, 48))])),
    ("CMYK", lambda: jpeg(mode="CMYK")),
    ("grey", lambda: jpeg(mode="L")),
    ("progressive", lambda: jpeg(progressive=True)),
    ("palette", lambda: saved(picture(mode="P"), "PNG")),
    ("one bit", lambda: saved(picture(mode="1"), "PNG")),
    ("grey with alpha", lambda: saved(picture(mode="LA"), "PNG")),
    ("one pixel", lambda: jpeg((1, 1))),
    ("12,000 by 1", lambda: png(12_000, 1)),
]


@pytest.mark.parametrize("make", [case[1] for case in ACCEPTED], ids=[case[0] for case in ACCEPTED])
def test_accepted_and_clean(make):
    photo = clean(make())
    shown = opened(photo)
    assert (shown.format, shown.mode, shown.size) == ("JPEG", "RGB", (photo.width, photo.height))
    assert max(shown.size) <= 1_600
    assert [name for name, _ in shown.applist] == ["APP0"]
    assert set(shown.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    assert photo.jpeg.endswith(b"\xff\xd9")
    assert not any(trace in photo.jpeg for trace in (b"<?php", b"<script", b"PK\x03\x04", b"Exif", b"SECRET-MAKER"))


def opened(photo):
    shown = Image.open(io.BytesIO(photo.jpeg))
    shown.load()
    return shown


def colour(photo, x, y):
    """The name of the colour at a point given as shares of width and height."""
    red, green, blue = opened(photo).getpixel((int(photo.width * x), int(photo.height * y)))
    return "red" if red > 200 > 60 > max(green, blue) else "blue" if blue > 200 > 60 > max(green, red) else "other"


def test_a_plain_re_save_keeps_the_comment():
    """Shows that the traces looked for above are really there to be found, and that saving alone leaves them."""
    naive = saved(Image.open(io.BytesIO(jpeg(comment=SCRIPT))).convert("RGB"), "JPEG")
    assert SCRIPT in naive


def test_a_copy_that_is_not_clean_is_refused(monkeypatch, caplog):
    new = Image.new

    def careless(*args):
        made = new(*args)
        made.info["comment"] = SCRIPT
        return made

    monkeypatch.setattr(photos.Image, "new", careless)
    with pytest.raises(PhotoRefused) as refused:
        clean(saved(picture(), "PNG"))
    assert refused.value.code == "not_clean"
    assert "COM" in caplog.text


@pytest.mark.parametrize(
    ("orientation", "red_at"),
    [(1, (0.1, 0.5)), (2, (0.9, 0.5)), (3, (0.9, 0.5)), (4, (0.1, 0.5))]
    + [(5, (0.5, 0.1)), (6, (0.5, 0.1)), (7, (0.5, 0.9)), (8, (0.5, 0.9))],
)
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_turned_upright(kind, orientation, red_at):
    size = (4_000, 3_000) if kind == "JPEG" else (1_800, 1_350)
    photo = clean(saved(picture(size), kind, exif=makers.exif(orientation)))
    assert (photo.width, photo.height) == ((1_600, 1_200) if orientation < 5 else (1_200, 1_600))
    assert colour(photo, *red_at) == "red"


@pytest.mark.filterwarnings("ignore::UserWarning")
def test_broken_exif_is_shown_as_it_came(caplog):
    photo = clean(after_start(jpeg(), segment(0xE1, BROKEN_EXIF)))
    assert colour(photo, 0.1, 0.5) == "red"
    assert "EXIF could not be read" in caplog.text


@pytest.mark.parametrize("kind", ["PNG", "WEBP"])
def test_first_frame_only(kind):
    image = frames(kind)
    assert Image.open(io.BytesIO(image)).n_frames == 100
    photo = clean(image)
    assert (photo.width, photo.height) == (40, 30)
    assert colour(photo, 0.5, 0.5) == "red"


def test_stereo_pair_gives_the_first_picture():
    image = saved(picture((3_200, 2_400)), "MPO", save_all=True, append_images=[Image.new("RGB", (320, 240), "blue")])
    assert Image.open(io.BytesIO(image), formats=["JPEG"]).format == "MPO"
    photo = clean(image)
    assert ((photo.width, photo.height), colour(photo, 0.1, 0.5)) == ((1_600, 1_200), "red")


def test_cmyk_keeps_its_colours():
    photo = clean(jpeg(mode="CMYK"))
    assert (colour(photo, 0.1, 0.5), colour(photo, 0.6, 0.5)) == ("red", "blue")


def test_sixteen_bit_grey_is_scaled_not_clipped():
    rows = b"".join(b"\0" + struct.pack(">H", level) * 40 for level in (0, 30_000, 65_535) for _ in range(20))
    shown = opened(clean(png(40, 60, depth=16, rows=rows)))
    levels = [shown.getpixel((20, y))[0] for y in (10, 30, 50)]
    assert levels == [pytest.approx(level, abs=3) for level in (0, 117, 255)]


@pytest.mark.parametrize(
    "image",
    [
        saved(Image.new("RGBA", (32, 32), (255, 0, 0, 0)), "PNG"),
        saved(Image.new("RGBA", (32, 32), (255, 0, 0, 0)), "WEBP", lossless=True, exact=True),
        saved(Image.new("P", (32, 32), 0), "PNG", transparency=0),
        saved(Image.new("L", (32, 32), 0), "PNG", transparency=0),
    ],
    ids=["PNG", "WebP", "palette", "grey"],
)
def test_what_is_transparent_becomes_white(image):
    assert min(opened(clean(image)).getpixel((16, 16))) > 250


def test_a_small_photo_is_not_enlarged_and_a_digest_is_of_the_stored_bytes():
    photo = clean(jpeg((300, 200)))
    assert (photo.width, photo.height) == (300, 200)
    assert photo == clean(jpeg((300, 200)))
    assert isinstance(photo, CleanPhoto)
    assert photo.sha256 == hashlib.sha256(photo.jpeg).hexdigest()


def test_forty_nine_million_pixels_are_accepted():
    image = png(7_000, 7_000)
    assert len(image) < 60_000
    assert (clean(image).width, clean(image).height) == (1_600, 1_600)


def test_the_file_of_exactly_the_cap_is_accepted():
    assert clean(jpeg().ljust(MAX_BYTES, b"\0")).width == 640


def test_cameras_are_well_inside_the_bounds_on_parts():
    image = after_start(jpeg(progressive=True), segment(0xE2, b"x" * 60_000) * 150)
    assert clean(image).width == 640
    assert clean(makers.many_scans(20)).width == 640


def test_pillow_still_refuses_what_is_cut_short():
    assert ImageFile.LOAD_TRUNCATED_IMAGES is False


@pytest.mark.filterwarnings("ignore::UserWarning")
def test_three_hundred_spoilt_files():
    """Nothing but a clean photo or a refusal in words, whatever chance does to a file."""
    accepted, refused, _ = spoil(range(300))
    assert accepted + refused == 300
    assert min(accepted, refused) > 20


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

    monkeypatch.setitem(photos.READERS, "JPEG", slow)
    with ThreadPoolExecutor(6) as phones:
        assert [photo.width for photo in phones.map(clean, [jpeg((64, 48))] * 6)] == [64] * 6
    assert most == [2] * 6


def test_bombs_take_no_memory_and_a_large_photo_a_bounded_amount():
    """Peak resident memory of a fresh process, in MB: generous bounds, but a decoded bomb passes all of them."""
    report = textwrap.dedent(
        """
        import django; django.setup()
        from inspections.photos import PhotoRefused, clean
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
    done = subprocess.run([sys.executable, "-c", report], capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    start, after_bombs, after_large = map(int, done.stdout.split())
    print(done.stdout)
    assert after_bombs - start < 50
    assert after_large < 900
