"""Photos that are taken in: whatever they carry, what is stored is pixels, upright, and nothing else."""

import hashlib
import io
import struct

import pytest
from PIL import Image

from inspections import redraw
from inspections.redraw import CleanPhoto, PhotoRefused, clean

from . import makers
from .makers import SCRIPT, after_start, chunk, frames, jpeg, picture, png, saved, segment, zipped

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

    monkeypatch.setattr(redraw.Image, "new", careless)
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
