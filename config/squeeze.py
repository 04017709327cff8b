"""Less to fetch over a slow link: Brotli for what every phone asks for, scripts and styles without their comments."""

import re
from functools import lru_cache, partial, wraps

import brotli
from django.core.files.base import ContentFile
from django.utils.cache import patch_vary_headers
from whitenoise.storage import CompressedManifestStaticFilesStorage

BEST = 11
BLOCK = {".css": re.compile(rb"(?s)/\*.*?\*/"), ".js": re.compile(rb"(?ms)^\s*/\*.*?\*/$")}
# A quote after it may end a text that the two strokes are part of.
LINE_END = re.compile(rb"\s+// [^\"'`]*$")


def squeezed(view=None, *, quality=BEST):
    """View decorator: the answer in Brotli for a browser that takes it; gzip stays for the others.

    Only for answers that hold nothing secret. The best quality takes a tenth of a second, once for each content; what
    differs for everybody wants a lower one.
    """
    if view is None:
        return partial(squeezed, quality=quality)

    @wraps(view)
    def wrapped(request, *args, **kwargs):
        response = view(request, *args, **kwargs)
        patch_vary_headers(response, ("Accept-Encoding",))
        taken = {word.partition(";")[0].strip() for word in request.headers.get("Accept-Encoding", "").split(",")}
        if response.status_code == 200 and "br" in taken:
            response.content = pressed(response.content, quality)
            response.headers["Content-Encoding"] = "br"
            response.headers["Content-Length"] = str(len(response.content))
        return response

    return wrapped


@lru_cache(maxsize=16)
def pressed(content: bytes, quality: int) -> bytes:
    return brotli.compress(content, quality=quality)


def plain(name: str, source: bytes) -> bytes:
    """A script or stylesheet without what only its readers need, comments and indents; other files as they are.

    It knows no grammar: no text of ours goes over several lines (a test looks).
    """
    block = BLOCK.get(name[name.rfind(".") :])
    if block is None:
        return source
    lines = (line.strip() for line in block.sub(b"", source).splitlines())
    if name.endswith(".js"):
        lines = (b"" if line.startswith(b"//") else LINE_END.sub(b"", line) for line in lines)
    return b"\n".join(line for line in lines if line)


class PlainStorage(CompressedManifestStaticFilesStorage):
    """Collected files: hashed, compressed, without comments. The project's own stay as people read them."""

    def _save(self, name, content):
        return super()._save(name, ContentFile(plain(name, b"".join(content.chunks()))))
