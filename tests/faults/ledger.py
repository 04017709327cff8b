"""The shared check: what a phone kept is in the logbook exactly once, every photo with the bytes it had."""

from __future__ import annotations

import json
import time
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from uuid import UUID

from inspections.storage import photo_name
from tests.faults.server import Server

TABLES = ("submission", "inspection", "observation", "photo")


@dataclass(frozen=True)
class Kept:
    """One report as the phone holds it: the bytes of its words, and the bytes of its photos by id."""

    body: bytes
    photos: dict[str, bytes]

    @property
    def words(self) -> dict:
        return json.loads(self.body)

    @property
    def id(self) -> str:
        return self.words["id"]


def hexed(uuid: str) -> str:
    """A uuid as SQLite holds it."""
    return UUID(uuid).hex


class Ledger:
    """Counts rows of a server's database from the moment it is made."""

    def __init__(self, server: Server):
        self.server, self.media = server, Path(server.media)
        self.before = self.counted()

    def counted(self) -> dict[str, int]:
        return {name: self.server.rows(f"SELECT count(*) FROM inspections_{name}")[0][0] for name in TABLES}  # noqa: S608

    def new(self) -> dict[str, int]:
        """Rows that came since."""
        return {name: count - self.before[name] for name, count in self.counted().items()}

    def faults_of(self, kept: list[Kept]) -> list[str]:
        """Everything that keeps these reports from being here exactly once with every photo; empty when they are."""
        wanted = {
            "submission": len(kept),
            "inspection": len(kept),
            "observation": sum(len(report.words["faults"]) for report in kept),
            "photo": sum(len(report.photos) for report in kept),
        }
        new = self.new()
        wrong = [
            f"{new[name]} new rows of {name}, not {wanted[name]}" for name in TABLES if new[name] != wanted[name]
        ]
        return wrong + [fault for report in kept for fault in self._faults_of(report)]

    def _faults_of(self, report: Kept) -> list[str]:
        rows = self.server.rows(
            "SELECT s.sha256, s.body, s.status, i.id FROM inspections_submission s "
            "LEFT JOIN inspections_inspection i ON i.submission_id = s.id WHERE s.uuid = ?",
            hexed(report.id),
        )
        if [(digest, bytes(body), status) for digest, body, status, _ in rows] != [
            (sha256(report.body).hexdigest(), report.body, "stored")
        ]:
            return [f"report {report.id} is here as {[(row[0], row[2]) for row in rows]}"]
        seen = self.server.rows("SELECT uuid FROM inspections_observation WHERE inspection_id = ?", rows[0][3])
        wrong = []
        if sorted(uuid for (uuid,) in seen) != sorted(hexed(fault["id"]) for fault in report.words["faults"]):
            wrong.append(f"report {report.id} has observations {seen}")
        named = {photo for fault in report.words["faults"] for photo in fault.get("photos", [])}
        if named != set(report.photos):
            wrong.append(f"report {report.id} names {len(named)} photos, the phone kept {len(report.photos)}")
        return wrong + [fault for uuid, data in report.photos.items() for fault in self._faults_of_photo(uuid, data)]

    def _faults_of_photo(self, uuid: str, data: bytes) -> list[str]:
        rows = self.server.rows(
            "SELECT sha256_received, sha256_stored, state FROM inspections_photo WHERE uuid = ?", hexed(uuid)
        )
        if [(received, state) for received, _, state in rows] != [(sha256(data).hexdigest(), "stored")]:
            return [f"photo {uuid} is here as {rows}"]
        file = self.media / photo_name(rows[0][1])
        if not file.exists() or sha256(file.read_bytes()).hexdigest() != rows[0][1]:
            return [f"the file of photo {uuid} is not what was stored"]
        return []

    def wait_delivered(self, kept: list[Kept], seconds: float = 15) -> None:
        """Delivered exactly once, every photo: within this time, and still so a moment later."""
        assert kept, "the phone kept nothing, so there is nothing to deliver"
        until = time.monotonic() + seconds
        while (wrong := self.faults_of(kept)) and time.monotonic() < until:
            time.sleep(0.05)
        assert not wrong, wrong

    def assert_nothing_came(self) -> None:
        assert not any(self.new().values()), self.new()
