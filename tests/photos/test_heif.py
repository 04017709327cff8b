"""HEIC photos: opened as others are, and whatever a file does to the decoder, only its own process feels it."""

import io
import os
import random
import signal
import subprocess
import sys
import textwrap
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from PIL import Image

from inspections import heif, redraw
from inspections.heif import NotNow
from inspections.redraw import MAX_BYTES, PhotoRefused, clean

from . import makers
from .heics import CODED, SIZE, heic, tiled

SPOILT = 240
CORNERS = [(0.2, 0.2), (0.8, 0.2), (0.2, 0.8), (0.8, 0.8)]


def opened(photo):
    shown = Image.open(io.BytesIO(photo.jpeg))
    shown.load()
    return shown


def corners(photo):
    """The colours top left, top right, below left, below right: R, G, B, or ? for another."""
    shown = opened(photo)
    found = [shown.getpixel((int(photo.width * x), int(photo.height * y))) for x, y in CORNERS]
    return "".join(
        "RGB"[colour.index(max(colour))] if sorted(colour)[1] < 90 < 180 < max(colour) else "?" for colour in found
    )


@pytest.mark.parametrize(("brand", "also"), [(b"heic", b"heic"), (b"mif1", b"heic"), (b"heix", b"mif1")])
def test_opened_and_clean(brand, also):
    photo = clean(heic(brand=brand, also=also, exif=makers.exif(1)))
    shown = opened(photo)
    assert (shown.format, shown.mode, shown.size) == ("JPEG", "RGB", SIZE)
    assert [name for name, _ in shown.applist] == ["APP0"]
    assert corners(photo) == "RGBB"
    assert not any(trace in photo.jpeg for trace in (b"Exif", b"SECRET-MAKER"))


def test_the_traces_looked_for_are_really_in_the_file():
    assert b"SECRET-MAKER" in heic(exif=makers.exif(1))


@pytest.mark.parametrize(
    ("quarters", "mirror", "seen"),
    [
        (0, None, "RGBB"),
        (1, None, "GBRB"),
        (2, None, "BBGR"),
        (3, None, "BRBG"),
        (0, 0, "BBRG"),
        (0, 1, "GRBB"),
        (1, 0, "RBGB"),
        (3, 0, "BGBR"),
    ],
)
def test_turned_and_mirrored_as_the_file_says_once(quarters, mirror, seen):
    """EXIF says "turned" beside it, as phones do, and is not followed a second time."""
    for exif in (b"", makers.exif(6)):
        photo = clean(heic(quarters=quarters, mirror=mirror, exif=exif))
        assert (photo.width, photo.height) == (SIZE if quarters % 2 == 0 else SIZE[::-1])
        assert corners(photo) == seen


def test_a_picture_of_tiles_is_put_together_and_made_smaller():
    photo = clean(heic(grid=(20, 20), quarters=3))
    assert (photo.width, photo.height) == (800, 1_600)
    assert corners(clean(heic(grid=(2, 1)))) == "RGBB"


REFUSED = [
    ("cut in half", "unreadable", lambda: heic()[: len(heic()) // 2]),
    ("less its last byte", "unreadable", lambda: heic()[:-1]),
    ("its head alone", "unreadable", lambda: heic()[:24]),
    ("nothing after a good head", "unreadable", lambda: b"\0\0\0\x18ftypheic" + bytes(200)),
    ("AVIF", "other_camera_type", lambda: heic(brand=b"avif")),
    ("AVIF that says it is HEIC too", "other_camera_type", lambda: heic(brand=b"avis", also=b"heic")),
    ("film", "other_camera_type", lambda: heic(brand=b"mp42", also=b"isom")),
    ("head cut", "other_camera_type", lambda: b"\0\0\0\x18ftyphei"),
    ("still image of another coding", "other_camera_type", lambda: heic(brand=b"mif1", also=b"miaf")),
    ("claiming 3,600 million pixels", "too_many_pixels", lambda: heic(size=(60_000, 60_000))),
    ("claiming 64 million pixels", "too_many_pixels", lambda: heic(size=(8_001, 8_000))),
    ("claiming 12,001 on a side", "too_many_pixels", lambda: heic(size=(12_001, 8))),
    ("tiles claiming 64 million pixels", "too_many_pixels", lambda: heic(grid=(2, 2), whole=(7_999, 7_999))),
    ("tiles claiming 2³¹ a side", "unreadable", lambda: heic(grid=(2, 2), whole=(2**31, 2**31))),
    ("49 million claimed, 8,192 there", "unreadable", lambda: heic(size=(7_000, 7_000))),
    ("49 million claimed, four tiles there", "unreadable", lambda: heic(grid=(2, 2), whole=(7_000, 7_000))),
    ("smaller than it is", "unreadable", lambda: heic(size=(16, 16))),
    ("a tile of itself", "unreadable", lambda: heic(grid=(2, 2), refers=[100, 101, 102, 1])),
    ("one tile for all", "unreadable", lambda: heic(grid=(2, 2), refers=[100] * 4)),
    ("tiles that are not there", "unreadable", lambda: heic(grid=(2, 2), refers=[7, 8, 9, 10])),
    ("more tiles than any camera makes", "unreadable", lambda: heic(grid=(250, 200))),
    ("no picture in it", "unreadable", lambda: heic().replace(CODED, bytes(len(CODED)))),
    ("tiles with no data", "unreadable", lambda: heic(grid=(2, 2)).replace(tiled(2, 2, (256, 128)), bytes(12))),
    ("one byte too many", "too_big", lambda: heic().ljust(MAX_BYTES + 1, b"\0")),
]


@pytest.mark.parametrize(("code", "make"), [case[1:] for case in REFUSED], ids=[case[0] for case in REFUSED])
def test_refused(code, make):
    start = time.perf_counter()
    with pytest.raises(PhotoRefused) as refused:
        clean(make())
    assert refused.value.code == code
    assert time.perf_counter() - start < 10


def spoilt(seed):
    """Noise behind a good head, or a good file cut, flipped or spliced."""
    return makers.spoilt(seed, [heic(exif=makers.exif(6)), heic(grid=(2, 2), quarters=1), heic(mirror=1)])


def noise(seed):
    chance = random.Random(seed)
    return heic()[:24] + chance.randbytes(chance.randrange(3_000))


@pytest.mark.parametrize("make", [spoilt, noise])
def test_some_hundred_spoilt_files(make):
    """Nothing but a clean photo or a refusal in words; nothing is left running, nothing left open."""
    before = os.listdir("/proc/self/fd")

    def outcome(seed):
        try:
            photo = clean(make(seed))
        except PhotoRefused as refused:
            return refused.code
        return max(photo.width, photo.height) <= 1_600

    with ThreadPoolExecutor(2) as phones:
        found = list(phones.map(outcome, range(SPOILT // 2)))
    assert set(found) <= {True, "unreadable", "unsupported_type", "other_camera_type", "too_many_pixels", "too_slow"}
    assert found.count("unreadable") > SPOILT / 20
    assert len(os.listdir("/proc/self/fd")) == len(before)
    assert not children()


def children():
    """Ids of processes that this one started since the test began and that are still there, ended or not."""
    return [pid for pid in started() if pid not in STARTED_BEFORE]


def started():
    return Path(f"/proc/self/task/{os.getpid()}/children").read_text().split()


STARTED_BEFORE: set[str] = set()  # a browser of other tests, say


@pytest.fixture(autouse=True)
def children_of_this_test_alone():
    STARTED_BEFORE.update(started())
    yield
    STARTED_BEFORE.clear()


@pytest.fixture
def child(monkeypatch, tmp_path):
    """Put another program in the place of the decoder; it may import the real one as `heif_child`."""

    def put(program):
        path = tmp_path / "child.py"
        folder = str(heif.CHILD.parent)
        path.write_text(f"import os, sys, time\nsys.path.insert(0, {folder!r})\n" + textwrap.dedent(program))
        monkeypatch.setattr(heif, "CHILD", path)

    return put


def refusal():
    """Why a good photo was refused, by whatever stands in the decoder's place; it leaves nothing behind."""
    before = os.listdir("/proc/self/fd")
    with pytest.raises(PhotoRefused) as refused:
        clean(heic())
    assert len(os.listdir("/proc/self/fd")) == len(before)
    assert not children()
    return refused.value.code


@pytest.mark.parametrize(
    ("number", "code"), [("SIGSEGV", "unreadable"), ("SIGABRT", "unreadable"), ("SIGKILL", "too_slow")]
)
def test_a_child_that_is_killed(child, number, code):
    child(f"import signal; sys.stdin.buffer.read(); os.kill(os.getpid(), signal.{number})")
    assert refusal() == code


def test_a_child_that_never_ends_is_ended(child, monkeypatch, tmp_path):
    child(f"open({str(tmp_path / 'pid')!r}, 'w').write(str(os.getpid())); time.sleep(600)")
    monkeypatch.setattr(heif, "SECONDS", 1)
    start = time.perf_counter()
    assert refusal() == "too_slow"
    assert time.perf_counter() - start < 5
    with pytest.raises(ProcessLookupError):
        os.kill(int((tmp_path / "pid").read_text()), signal.SIG_DFL)


def test_a_child_that_does_not_read(child):
    child("sys.exit(4)")
    with pytest.raises(PhotoRefused):
        clean(heic().ljust(MAX_BYTES, b"\0"))


HOSTILE = """
    import heif_child, resource
    heif_child.LIMITS[resource.RLIMIT_CPU] = 1
    def hostile(data):
        {}
    heif_child.primary = hostile
    sys.exit(heif_child.main(1600, 50_000_000, 12_000))
"""


@pytest.mark.parametrize(
    ("deed", "code"),
    [
        ("return bytearray(2_000_000_000)", "unreadable"),
        ("while True: pass", "too_slow"),
        ("[open('/dev/null') for _ in range(50)]", "unreadable"),
        ("raise SystemError('broken')", "unreadable"),
        ("import ctypes; ctypes.string_at(0)", "unreadable"),
    ],
    ids=["memory", "work", "open files", "error", "crash"],
)
def test_the_childs_own_limits_hold(child, deed, code):
    child(HOSTILE.format(deed))
    start = time.perf_counter()
    assert refusal() == code
    assert time.perf_counter() - start < 8


def test_the_child_can_write_no_file(child, tmp_path):
    child(HOSTILE.format(f"open({str(tmp_path / 'loot')!r}, 'w', buffering=1).write('x' * 99 + chr(10))"))
    assert refusal() == "unreadable"
    assert (tmp_path / "loot").read_bytes() == b""


def test_the_child_is_told_no_secret(child, monkeypatch, tmp_path):
    monkeypatch.setenv("SECRET_KEY", "kept")
    child(f"open({str(tmp_path / 'told')!r}, 'w').write(repr(dict(os.environ)) + os.getcwd()); sys.exit(4)")
    refusal()
    told = (tmp_path / "told").read_text()
    assert ("SECRET_KEY" in told, told.endswith("/")) == (False, True)


@pytest.mark.parametrize(
    "answer",
    [
        b"",
        b"RGB 9 9\n",
        b"RGB 2 2\n" + bytes(13),
        b"RGB 2000 1\n" + bytes(6_000),
        b"RGB -2 -2\n" + bytes(12),
        b"RGB 0 0\n",
        b"P 2 2\n" + bytes(4),
        b"RGB 2\n" + bytes(12),
        b"RGB \xff 2\n" + bytes(12),
        b"<script>alert(1)</script>",
        bytes(20_000_000),
    ],
)
def test_an_answer_that_makes_no_sense_is_not_believed(child, tmp_path, answer):
    (tmp_path / "answer").write_bytes(answer)
    child(f"sys.stdin.buffer.read(); sys.stdout.buffer.write(open({str(tmp_path / 'answer')!r}, 'rb').read())")
    assert refusal() == "unreadable"


def test_a_decoder_that_does_not_work_is_no_fault_of_the_photo(child, caplog):
    child("import no_such_decoder")
    with pytest.raises(NotNow):
        clean(heic())
    assert "does not work" in caplog.text
    assert not children()


def test_a_machine_that_can_start_nothing_is_no_fault_of_the_photo(monkeypatch):
    monkeypatch.setattr(heif.sys, "executable", "/no/such/program")
    with pytest.raises(NotNow):
        clean(heic())


def test_no_more_are_decoded_at_once_whatever_they_are(monkeypatch):
    """Six phones, three with a HEIC and three with a JPEG: two at work at any time."""
    at_work, most, lock = [], [], threading.Lock()

    def counted(read):
        def reading(data):
            with lock:
                at_work.append(None)
                most.append(len(at_work))
            time.sleep(0.2)
            picture = read(data)
            with lock:
                at_work.pop()
            return picture

        return reading

    for kind in ("HEIF", "JPEG"):
        monkeypatch.setitem(redraw.READERS, kind, counted(redraw.READERS[kind]))
    sent = [heic(), makers.jpeg((64, 48)), heic(quarters=1), makers.jpeg((48, 64)), heic(quarters=2), makers.jpeg()]
    with ThreadPoolExecutor(6) as phones:
        found = list(phones.map(clean, sent))
    assert [corners(photo) for photo in found[::2]] == ["RGBB", "GBRB", "BBGR"]
    assert [photo.width for photo in found[1::2]] == [64, 48, 640]
    assert (len(most), max(most)) == (6, 2)


def test_the_server_itself_never_loads_the_decoder(settings):
    program = "import django; django.setup(); import config.wsgi, config.urls, inspections.photos, sys;"
    program += "print('pi_heif' in sys.modules, '_pi_heif' in sys.modules, 'inspections.redraw' in sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=settings.BASE_DIR,
        capture_output=True,
        text=True,
        timeout=60,
        env={**os.environ, "DJANGO_SETTINGS_MODULE": "config.settings"},
        check=True,
    )
    assert done.stdout.split() == ["False", "False", "True"]
