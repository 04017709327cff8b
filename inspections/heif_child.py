"""The process that opens one HEIC photo and ends: its bytes on standard input, the pixels on standard output.

Started by `heif.py`, never imported by it. Whatever a file makes of the decoder happens here, to a process that
holds nothing, may write no file, and is stopped when it takes too much. Arguments: the longest side of what is
given back, the most pixels and the longest side that are opened.
"""

import resource
import sys

import pi_heif
from PIL import Image

# How it ends; any other status says that this program could not do its work, whatever the file was.
OPENED, TOO_MANY_PIXELS, UNREADABLE = 0, 3, 4

# A true photo of 48 million pixels takes 500 MB of addresses and 2 s, one of 10 bits a colour 2.5 s.
LIMITS = {
    resource.RLIMIT_AS: 1_000_000_000,
    resource.RLIMIT_CPU: 10,
    resource.RLIMIT_FSIZE: 0,
    resource.RLIMIT_NOFILE: 16,
    resource.RLIMIT_CORE: 0,
}


def main(shown_side, most_pixels, most_side):
    """Open what comes in; the exit status says how it went."""
    for what, most in LIMITS.items():
        resource.setrlimit(what, (most, most))
    try:
        coded = primary(sys.stdin.buffer.read())
        width, height = coded.size
        if width * height > most_pixels or max(width, height) > most_side:
            return TOO_MANY_PIXELS
        picture = coded.to_pillow().convert("RGBA" if coded.has_alpha else "RGB")
        picture.thumbnail((shown_side, shown_side), Image.Resampling.LANCZOS, reducing_gap=3.0)
        pixels = picture.tobytes()
    except Exception:  # noqa: BLE001 - the decoder's own words are of no use to anybody
        return UNREADABLE
    sys.stdout.buffer.write(f"{picture.mode} {picture.width} {picture.height}\n".encode() + pixels)
    return OPENED


def primary(data):
    """The picture the file is about, its size known and no pixel decoded.

    The decoder turns it as the file's own `irot` and `imir` say (ISO/IEC 23008-12), once. The EXIF orientation
    says the same again and must not be followed: it goes, as all metadata does, with the file.
    """
    options = pi_heif.options
    options.THUMBNAILS = options.DEPTH_IMAGES = options.AUX_IMAGES = False
    options.DECODE_THREADS = 1
    file = pi_heif.open_heif(data)
    coded = file[file.primary_index]
    if not coded.info["primary"]:
        # The one it names is broken: a tile or another picture of the file is not what was photographed.
        raise ValueError("the picture the file is about is not in it")
    return coded


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
