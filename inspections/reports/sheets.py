"""Tables as files: CSV of one section, a workbook of all. No cell of either is ever taken for a formula."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from io import BytesIO, StringIO

import xlsxwriter

STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
LONGEST_NAME = 31  # of a sheet, by the format
NOT_IN_A_NAME = str.maketrans("[]:*?/\\", "       ")


def harmless(cell: object) -> object:
    """A cell no spreadsheet takes for a formula: text that could start one gets a quote before it."""
    if isinstance(cell, str) and cell.lstrip(" ")[:1] in STARTS_A_FORMULA:
        return f"'{cell}"
    return cell


def csv_of(section: dict, first: str, cut_off: str) -> str:
    """One section as CSV, with a byte order mark; every line ends with the days it counts."""
    out = StringIO()
    writer = csv.writer(out)
    writer.writerow([*section["heads"], "Counted from", "to and including"])
    for row in section["rows"]:
        writer.writerow([*(harmless(cell) for cell in row), first, cut_off])
    return "\ufeff" + out.getvalue()


def workbook(figures: dict) -> bytes:
    """All sections, a sheet each, and a first one that says what they are."""
    out = BytesIO()
    book = xlsxwriter.Workbook(
        out, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    )
    bold, wrapped = book.add_format({"bold": True}), book.add_format({"text_wrap": True, "valign": "top"})
    head = book.add_worksheet("Summary")
    head.set_column(0, 0, 100, wrapped)
    lines = [f"Counted from {figures['first']} to {figures['cut_off']}, both included", *figures["summary"]]
    for n, line in enumerate(lines):
        head.write_string(n, 0, line)
    for section in figures["sections"]:
        sheet = book.add_worksheet(section["name"].translate(NOT_IN_A_NAME)[:LONGEST_NAME])
        sheet.write_string(0, 0, section["question"], bold)
        sheet.write_string(1, 0, section["answer"])
        _write(sheet, 3, section["heads"], bold)
        for n, row in enumerate(section["rows"]):
            _write(sheet, 4 + n, row)
    book.close()
    return out.getvalue()


def _write(sheet, line: int, cells: Sequence[object], shape=None) -> None:
    for n, cell in enumerate(cells):
        if isinstance(cell, int | float) and not isinstance(cell, bool):
            sheet.write_number(line, n, cell, shape)
        elif cell is not None:
            sheet.write_string(line, n, str(harmless(cell)), shape)
