"""Reading a TOML document strictly: every error names the dotted path, every key must be known."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Iterator
from decimal import Decimal

CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]*")
_REQUIRED = object()


class RulesetError(ValueError):
    """A ruleset that cannot be used: `path` (dotted key), `line` (syntax errors only), `message`."""

    def __init__(self, path: str, message: str, line: int | None = None) -> None:
        self.path, self.message, self.line = path, message, line
        place = path or (f"line {line}" if line else "the document")
        super().__init__(f"{place}: {message}")


def parse(text: str) -> Table:
    """The whole document as a `Table`; floats become Decimal. Raises RulesetError with the line."""
    try:
        return Table(tomllib.loads(text, parse_float=Decimal), "")
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"\(at line (\d+)", str(error))
        line = int(found.group(1)) if found else text.count("\n") + 1
        message = re.sub(r"\s*\(at [^)]*\)", "", str(error))
        raise RulesetError("", message, line) from error


class Table:
    """One TOML table with its path. Keys are taken; `done` refuses what nobody took."""

    def __init__(self, data: dict, path: str) -> None:
        self.data, self.path, self.taken = data, path, set()

    def at(self, key: str) -> str:
        """The dotted path of a key of this table."""
        return f"{self.path}.{key}" if self.path else key

    def fail(self, key: str, message: str) -> RulesetError:
        """The error to raise for a key of this table."""
        return RulesetError(self.at(key), message)

    def take(self, key: str, kind: type | tuple[type, ...], called: str, default: object = _REQUIRED) -> object:
        """The value of a key, of the kind asked for; the default, if one is given, when it is absent."""
        self.taken.add(key)
        if key not in self.data:
            if default is _REQUIRED:
                raise self.fail(key, f"is missing; {called} is needed")
            return default
        value = self.data[key]
        wrong_bool = isinstance(value, bool) and kind is not bool
        if wrong_bool or not isinstance(value, kind):
            raise self.fail(key, f"must be {called}, not {value!r}")
        return value

    def text(self, key: str, default: object = _REQUIRED, words: int | None = None) -> str:
        """Text; not blank where it is needed; at most `words` words."""
        value = self.take(key, str, "text", default)
        if default is _REQUIRED and not value.strip():
            raise self.fail(key, "must not be blank")
        if words is not None and len(value.split()) > words:
            raise self.fail(key, f"has {len(value.split())} words; at most {words} are allowed")
        return value

    def choice(self, key: str, options: Collection[str], default: object = _REQUIRED) -> str:
        """One of the options."""
        value = self.take(key, str, "text", default)
        return self.check(key, value, options)

    def check(self, key: str, value: str, options: Collection[str]) -> str:
        """The value, if it is one of the options (an absent "" passes)."""
        if value and value not in options:
            raise self.fail(key, f"{value!r} is not one of {', '.join(options)}")
        return value

    def flag(self, key: str, default: bool = False) -> bool:
        """True or false."""
        return self.take(key, bool, "true or false", default)

    def number(self, key: str, default: object = _REQUIRED) -> Decimal | None:
        """A number that is not negative, as Decimal."""
        value = self.take(key, (int, Decimal), "a number", default)
        if value is default:
            return value
        value = Decimal(value)
        if not value.is_finite() or value < 0:
            raise self.fail(key, f"must be a number of 0 or more, not {value}")
        return value

    def texts(self, key: str, options: Collection[str] | None = None, default: object = ()) -> tuple[str, ...]:
        """A list of texts (one text stands for a list of one), each one of the options, none twice."""
        value = self.take(key, (str, list), "text or a list of texts", default)
        values = (value,) if isinstance(value, str) else tuple(value)
        if not all(isinstance(v, str) for v in values):
            raise self.fail(key, "must hold texts only")
        if len(set(values)) < len(values):
            raise self.fail(key, "names something twice")
        if options is not None:
            for v in values:
                self.check(key, v or "(blank)", options)
        return values

    def table(self, key: str, default: object = _REQUIRED) -> Table:
        """The table under a key."""
        return Table(self.take(key, dict, "a table", default), self.at(key))

    def named(self, key: str) -> Iterator[tuple[str, Table]]:
        """(code, table) of each entry of a table of tables, in file order; at least one."""
        entries = self.take(key, dict, "a table of named entries")
        if not entries:
            raise self.fail(key, "is empty; at least one entry is needed")
        for code, entry in entries.items():
            path = f"{self.at(key)}.{code}"
            if not CODE.fullmatch(code):
                raise RulesetError(path, f"{code!r} is not a code: letters, digits and hyphens only")
            if not isinstance(entry, dict):
                raise RulesetError(path, f"must be a table, not {entry!r}")
            yield code, Table(entry, path)

    def rows(self, key: str, least: int = 0) -> list[Table]:
        """The rows of a list of tables; a row's path is its number, counted from 1."""
        value = self.take(key, list, "a list of tables", () if least == 0 else _REQUIRED)
        for n, row in enumerate(value, 1):
            if not isinstance(row, dict):
                raise self.fail(f"{key}.{n}", f"must be a table, not {row!r}")
        if len(value) < least:
            raise self.fail(key, f"needs at least {least}")
        return [Table(row, self.at(f"{key}.{n}")) for n, row in enumerate(value, 1)]

    def done(self) -> None:
        """Refuse a key nobody asked for: a misspelt key must not be silently without effect."""
        for key in self.data:
            if key not in self.taken:
                raise self.fail(key, f"is not a key known here; known are {', '.join(sorted(self.taken))}")
