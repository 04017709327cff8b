"""Example cards of the demonstration railway, built by hand: what a bridge from the rows would hand over."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from io import BytesIO

from PIL import Image

from inspections.reports.work_card import (
    Card,
    CardFinding,
    CardIsolation,
    CardLimit,
    CardSeen,
    CardStep,
    CardTest,
)

GMT = timezone(timedelta(0))
LINK = "HTTPS://OVR.EXAMPLE/F/00104289"
STEPS = (
    CardStep("Look at the ring and its groove; look at the mate's ring", write="Damage found"),
    CardStep("Shut the pipe cock, vent the hose", warning="stored air, eye protection"),
    CardStep("Take the ring out; clean the groove, no solvent"),
    CardStep("Fit a new ring; push it home all round by hand", write="Batch of the new ring"),
)
TESTS = (
    CardTest("air leak, uncoupled: charge, settle 3 min, time 5 min", "at most 0.1 bar", "bar", "TS 114/2"),
    CardTest("air leak, coupled: both units, soap on the faces", "at most 0.2 bar", "bar", "TS 114/2"),
)


def photo(size: tuple[int, int] = (1280, 960), kind: str = "JPEG") -> Callable[[], bytes]:
    """Reads a picture with a gradient and a dark disc, so that it can be recognised on the sheet."""
    image = Image.linear_gradient("L").resize(size).convert("RGB")
    image.paste((20, 20, 20), (size[0] // 3, size[1] // 3, size[0] // 2, size[1] // 2))
    out = BytesIO()
    image.save(out, kind)
    return out.getvalue


def finding(**changes) -> CardFinding:
    """A torn upper seal with four steps and two tests."""
    made = CardFinding(
        reference="00104289",
        slot="air-upper",
        part="5 Upper air seal",
        fault="torn, piece missing",
        category="Undesirable",
        examine_by=datetime(2026, 1, 14, 18, 0, tzinfo=GMT),
        limits=("do not couple at this end", "not to be the rescue end"),
        seen=(
            CardSeen(
                datetime(2026, 1, 14, 5, 52, tzinfo=GMT),
                "Thornhope siding",
                "Driver 2",
                "Bit of rubber hanging out of the top ring. It hissed a bit when we were on 311 last night.",
            ),
        ),
        past=("13 Nov 2025, ring renewed at Elmsgate (2nd in 62 days)",),
        parts=("seal ring and retainer",),
        tools=("soap spray", "leak gauge", "groove brush", "eye protection"),
        steps=STEPS,
        tests=TESTS,
        photo=photo(),
        check="air joint, repeat",
    )
    return replace(made, **changes)


def card(*findings: CardFinding, **changes) -> Card:
    """The A end of unit 305 at Elmsgate; one `finding()` where none is given."""
    made = Card(
        unit="305",
        end="A",
        drawing="P",
        printed=datetime(2026, 1, 14, 8, 5, tzinfo=GMT),
        version=2,
        link=LINK,
        visit="Elmsgate, road 3, early shift.",
        limits=(
            CardLimit("do not couple at this end", ("restriction 14 Jan 2026, label 0417", "report 0010 4289")),
            CardLimit("not to be the rescue end"),
        ),
        labels=("0417, both cabs and the A end",),
        isolations=(
            CardIsolation("Main reservoir pipe cock, A end"),
            CardIsolation("Battery to the electric head, prove dead", key="14"),
        ),
        cautions=(
            "Line blocked, driver told, brakes on, key out before you go between.",
            "Springs, stored air and live pins: vent, prove dead, fingers clear.",
        ),
        mates=("311 B, 13 Jan 2026", "207 A, 11 Jan 2026"),
        findings=findings or (finding(),),
    )
    return replace(made, **changes)
