"""Parts out and in, and the whole coupler, as fields of the close-out form. Rows are added one at a time."""

from __future__ import annotations

from django import forms

from fleet.models import PartFitting
from inspections import parts, words
from inspections.forms.fields import Words
from inspections.forms.layout import folded

MOST_ROWS = 9
ROW = ("", "-why", "-out", "-batch", "-serial")  # the fields of one part, after its number
REASONS = [
    ("", "Choose why"),
    (PartFitting.Reason.FAILED, "It had failed"),
    (PartFitting.Reason.PLANNED, "Planned renewal"),
    (PartFitting.Reason.OTHER, "Another reason"),
]


class PartFields(forms.Form):
    """Adds `rows`, per row the fields of one part, and those of the coupler. Needs `finding` and `rules`."""

    rows = forms.IntegerField(min_value=1, max_value=MOST_ROWS, required=False, widget=forms.HiddenInput)

    def add_parts(self) -> None:
        """One row to begin with; as many as the page that was posted had."""
        self.row_count = self.rows_asked()
        self.initial["rows"] = self.row_count
        slots = [code for code in parts.slots_of(self.finding.end, self.rules) if code in self.rules.parts]
        offered = [("", "No part"), *((code, words.part_named(self.rules, code)) for code in slots)]
        for n in range(1, self.row_count + 1):
            self.fields[f"part-{n}"] = forms.ChoiceField(label=f"Part ({n})", choices=offered, required=False)
            self.fields[f"part-{n}-why"] = forms.ChoiceField(
                label=f"Why the old one came out ({n})", choices=REASONS, required=False
            )
            self.fields[f"part-{n}-out"] = typed(f"Number on the old one ({n})")
            self.fields[f"part-{n}-batch"] = typed(f"Batch of the new one ({n})")
            self.fields[f"part-{n}-serial"] = typed(f"Serial of the new one ({n})")
        self.fields["coupler"] = typed("Serial of the new coupler", 20)
        self.fields["coupler-why"] = forms.ChoiceField(
            label="Why the old coupler came out", choices=REASONS, required=False
        )

    def rows_asked(self) -> int:
        """How many rows the page has."""
        said = str((self.data if self.is_bound else self.initial).get("rows") or 1)
        return min(int(said), MOST_ROWS) if said.isdecimal() and said != "0" else 1

    def part_rows(self) -> list:
        """Their layout: folded away until something is entered, so that a job without parts stays short."""
        rows = [f"part-{n}{name}" for n in range(1, self.row_count + 1) for name in ROW]
        whole = ["coupler", "coupler-why"]
        return [
            *folded("Parts out and in", *rows, shown=self.row_count > 1 or self.any_given(rows)),
            *folded("The whole coupler was changed", *whole, shown=self.any_given(whole)),
        ]

    def any_given(self, names) -> bool:
        """True where any of these fields holds something."""
        given = self.data if self.is_bound else self.initial
        return any(str(given.get(name, "") or "").strip() for name in names)

    def check_parts(self, values) -> None:
        """What is missing of a row that was begun, by its field."""
        for n in range(1, self.row_count + 1):
            given = [name for name in ROW[1:] if values.get(f"part-{n}{name}")]
            if not values.get(f"part-{n}"):
                if given:
                    self.add_error(f"part-{n}", f"Choose which part it is ({n}), or take the rest away")
                continue
            if not values.get(f"part-{n}-why"):
                self.add_error(f"part-{n}-why", f"Choose why the old one came out ({n})")
            if not (values.get(f"part-{n}-batch") or values.get(f"part-{n}-serial")):
                self.add_error(f"part-{n}-batch", f"Enter the batch or the serial of the new one ({n})")
        if values.get("coupler") and not values.get("coupler-why"):
            self.add_error("coupler-why", "Choose why the old coupler came out")
        elif values.get("coupler-why") and not values.get("coupler"):
            self.add_error("coupler", "Enter the serial of the coupler that went in, or take the reason away")

    def changes(self) -> tuple[parts.PartChange, ...]:
        """The rows that were filled in."""
        values = self.cleaned_data
        return tuple(
            parts.PartChange(
                slot=values[f"part-{n}"],
                reason=values[f"part-{n}-why"],
                serial=values[f"part-{n}-serial"].strip(),
                batch=values[f"part-{n}-batch"].strip(),
                out_serial=values[f"part-{n}-out"].strip(),
            )
            for n in range(1, self.row_count + 1)
            if values.get(f"part-{n}")
        )

    def swap(self) -> parts.Swap | None:
        """The exchange of the whole coupler; None where it stayed."""
        serial = self.cleaned_data.get("coupler", "").strip().upper()
        return parts.Swap(serial, self.cleaned_data["coupler-why"]) if serial else None


def typed(label: str, most: int = 40) -> forms.CharField:
    """A number or name on a part."""
    return Words(label=label, max_length=most, required=False, widget=forms.TextInput(attrs={"autocomplete": "off"}))
