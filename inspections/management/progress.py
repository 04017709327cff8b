"""A progress line on the error stream: plain characters, only for somebody who watches."""

from __future__ import annotations

WIDTH = 40


class Progress:
    """Called with (done, all). It draws where the stream is a terminal, or always when `wanted`."""

    def __init__(self, stream, words: str, *, wanted: bool = False):
        self.stream, self.words = stream, words
        self.draws = wanted or stream.isatty()
        self.shown = None

    def __call__(self, done: int, all_: int) -> None:
        """Draw once per percent; end the line when all is done."""
        percent = 100 * done // all_ if all_ else 100
        if not self.draws or percent == self.shown:
            return
        self.shown = percent
        filled = WIDTH * percent // 100
        bar = "#" * filled + "." * (WIDTH - filled)
        self.stream.write(f"\r{self.words} [{bar}] {percent:3d} % {done} of {all_}", ending="")
        if done >= all_:
            self.stream.write("")
        self.stream.flush()
