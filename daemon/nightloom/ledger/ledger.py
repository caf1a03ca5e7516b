"""The record that survives: one SQLite file, one writer, each write on disk when it returns.

Long on purpose: whatever is kept over nights is written and read in this one place.
"""

import json
import sqlite3
from collections.abc import Mapping
from datetime import datetime

from nightloom.ledger.calibration_frame import CalibrationFrame
from nightloom.ledger.records import (
    Check,
    Curve,
    Duration,
    FocuserBacklash,
    Frame,
    GuideCalibration,
    GuideHotPixels,
    Intent,
    Place,
    PointingMiss,
    Stage,
    Sub,
    Verdict,
)
from nightloom.ledger.rows import Stored, columns, from_row, stored, to_row
from nightloom.ledger.store import LedgerError, Store, where_clause
from nightloom_drivers.frame_kind import FrameKind

NOTHING: Mapping[str, float] = {}


class Ledger(Store):
    """Intents, subs in flight, frames, focus, durations, guiding, misses and places of all nights.

    `Ledger(path)` is the one writer and creates the file when it is missing; others use
    `Ledger.read(path)`, also while the writer is at work. Every method raises LedgerError.
    """

    # Intents ---------------------------------------------------------------------------------

    def begin(self, kind: str, detail: dict[str, str], at: datetime) -> int:
        """Write down what is about to be done, and return the intent's number."""
        cursor = self._write(
            f"begin {kind}",
            "INSERT INTO intents (kind, detail, begun_utc) VALUES (?, ?, ?)",
            [kind, stored(detail), stored(at)],
        )
        return int(cursor.lastrowid or 0)

    def finish(self, intent: int, outcome: str, at: datetime) -> None:
        """Write down how it ended. An intent ends once."""
        cursor = self._write(
            f"finish intent {intent}",
            "UPDATE intents SET outcome = ?, ended_utc = ? WHERE id = ? AND outcome IS NULL",
            [outcome, stored(at), intent],
        )
        if cursor.rowcount != 1:
            seen = "there is no such unfinished intent"
            raise LedgerError(self.path, asked=f"finish intent {intent}", seen=seen)

    def unfinished(self) -> list[Intent]:
        """Intents without an outcome, oldest first."""
        return self._intents("WHERE outcome IS NULL ORDER BY id", [])

    def last_act(self, kind: str) -> Intent | None:
        """The latest intent of a kind, whether it has an outcome or not; None without any."""
        found = self._intents("WHERE kind = ? ORDER BY id DESC LIMIT 1", [kind])
        return found[0] if found else None

    def acts(self, kind: str) -> list[Intent]:
        """Every intent of a kind, oldest first."""
        return self._intents("WHERE kind = ? ORDER BY id", [kind])

    def _intents(self, which: str, values: list[Stored]) -> list[Intent]:
        rows = self._rows(
            f"SELECT id, kind, detail, begun_utc, ended_utc, outcome FROM intents {which}", values
        )
        return [
            Intent(
                number,
                kind,
                json.loads(detail),
                datetime.fromisoformat(begun),
                None if ended is None else datetime.fromisoformat(ended),
                outcome,
            )
            for number, kind, detail, begun, ended, outcome in rows
        ]

    # Subs in flight --------------------------------------------------------------------------

    def begin_sub(self, sub: Sub) -> None:
        """Write a sub down before its shutter opens; one uid begins once."""
        self._insert("subs", sub)

    def follow_sub(self, sub: Sub) -> None:
        """Write down how far a sub in flight has come; one that has ended is not followed."""
        marks = ", ".join(f"{name} = ?" for name in columns(Sub))
        what = f"follow sub {sub.uid}"
        followed = self._write(
            what,
            f"UPDATE subs SET {marks} WHERE uid = ? AND outcome = ''",
            [*to_row(sub), sub.uid],
        )
        self._found(what, followed)

    def enter(self, frame: Frame, worths_s: Mapping[str, float] = NOTHING) -> None:
        """Enter the frame of a sub in flight, which ends with it: both or neither are written.

        `worths_s` are what other frames are worth by what it showed, by their names.
        """
        what = f"enter frame {frame.uid}"
        with self._asked(what), self._connection:
            self._connection.execute("BEGIN IMMEDIATE")
            self._insert("frames", frame)
            ended = self._write(
                what,
                "UPDATE subs SET stage = ?, outcome = ? WHERE uid = ? AND outcome = ''",
                [Stage.JUDGED.value, frame.verdict.value, frame.uid],
            )
            self._found(what, ended)
            self._connection.executemany(
                "UPDATE frames SET worth_s = ? WHERE uid = ?",
                [(worth_s, uid) for uid, worth_s in worths_s.items()],
            )

    def in_flight(self, target: str | None = None) -> list[Sub]:
        """Subs that have no verdict yet and were not cancelled, in their order."""
        names = ", ".join(columns(Sub))
        where, values = where_clause(target=target)
        where = f"{where} AND" if where else "WHERE"
        rows = self._rows(
            f"SELECT {names} FROM subs {where} outcome = '' ORDER BY begun_utc, uid", values
        )
        return [from_row(Sub, row) for row in rows]

    def uids(self, night: str) -> list[str]:
        """Every name that was given to a sub or frame of a night."""
        rows = self._rows(
            "SELECT uid FROM subs WHERE night = ? UNION SELECT uid FROM frames WHERE night = ?",
            [night, night],
        )
        return [uid for (uid,) in rows]

    def _found(
        self, what: str, cursor: sqlite3.Cursor, else_: str = "there is no such sub in flight"
    ) -> None:
        if cursor.rowcount != 1:
            raise LedgerError(self.path, asked=what, seen=else_)

    # Frames ----------------------------------------------------------------------------------

    def add_frame(self, frame: Frame) -> None:
        """Enter a frame that was no sub of ours, and its verdict; one uid enters once."""
        self._insert("frames", frame)

    def reject(self, uid: str, reason: str) -> Frame:
        """Take back that a frame was accepted, and return its entry: it has no hash, as its file
        does not say so yet.
        """
        done = self._write(
            f"reject frame {uid}",
            "UPDATE frames SET verdict = ?, reason = ?, sha256 = '', dim = 1, taken_back_after ="
            " (SELECT uid FROM frames ORDER BY rowid DESC LIMIT 1) WHERE uid = ? AND verdict = ?",
            [Verdict.REJECTED.value, reason, uid, Verdict.ACCEPTED.value],
        )
        self._found(f"reject frame {uid}", done, "there is no such accepted frame")
        names = ", ".join(columns(Frame))
        return from_row(Frame, self._rows(f"SELECT {names} FROM frames WHERE uid = ?", [uid])[0])

    def amended(self, uid: str, sha256: str) -> None:
        """Enter the hash of a file that says now that its frame was taken back."""
        what = f"enter the hash of frame {uid}"
        done = self._write(
            what,
            "UPDATE frames SET sha256 = ? WHERE uid = ? AND taken_back_after <> ''",
            [sha256, uid],
        )
        self._found(what, done, "there is no such frame that was taken back")

    def to_amend(self) -> list[Frame]:
        """Frames that were taken back and whose files do not say so yet."""
        names = ", ".join(columns(Frame))
        rows = self._rows(
            f"SELECT {names} FROM frames WHERE taken_back_after <> '' AND sha256 = ''"
            " AND path <> '' ORDER BY rowid",
            [],
        )
        return [from_row(Frame, row) for row in rows]

    def frames(self, *, target: str | None = None, night: str | None = None) -> list[Frame]:
        """Frames in the order in which they were taken, of all targets and nights by default."""
        where, values = where_clause(target=target, night=night)
        names = ", ".join(columns(Frame))
        rows = self._rows(f"SELECT {names} FROM frames {where} ORDER BY start_utc, uid", values)
        return [from_row(Frame, row) for row in rows]

    def accepted_s(self, target: str, *, night: str | None = None) -> dict[str, float]:
        """The tally: accepted seconds by filter, over all nights or in one."""
        where, values = where_clause(target=target, night=night, verdict=Verdict.ACCEPTED)
        rows = self._rows(
            f"SELECT filter, sum(exposure_s) AS sum_s FROM frames {where} GROUP BY filter", values
        )
        return {row["filter"]: row["sum_s"] for row in rows}

    def worth_s(self, target: str, *, night: str | None = None) -> dict[str, float]:
        """The tally of depth: what accepted frames are worth by filter, in seconds of its clear
        dark night. One whose worth is not known counts with its exposure.
        """
        where, values = where_clause(target=target, night=night, verdict=Verdict.ACCEPTED)
        rows = self._rows(
            "SELECT filter, sum(coalesce(worth_s, exposure_s)) AS sum_s"
            f" FROM frames {where} GROUP BY filter",
            values,
        )
        return {row["filter"]: row["sum_s"] for row in rows}

    def alike(self, frame: Frame) -> list[Frame]:
        """Frames of all targets and nights with the filter, gain and binning of another one."""
        names = ", ".join(columns(Frame))
        rows = self._rows(
            f"SELECT {names} FROM frames WHERE filter = ? AND gain IS ? AND binning IS ?"
            " AND kind = ? AND noise_adu IS NOT NULL ORDER BY rowid",
            [frame.filter, frame.gain, frame.binning, frame.kind.value],
        )
        return [from_row(Frame, row) for row in rows]

    def latest(self, target: str, night: str, number: int) -> list[tuple[str, bool | None]]:
        """Filters of the latest frames of a target in a night, and whether each was accepted; None
        where the sky alone was against it.
        """
        rows = self._rows(
            "SELECT filter, CASE WHEN dim THEN NULL ELSE verdict = ? END FROM frames"
            " WHERE target = ? AND night = ? ORDER BY start_utc DESC, uid DESC LIMIT ?",
            [Verdict.ACCEPTED.value, target, night, number],
        )
        return [(name, None if good is None else bool(good)) for name, good in reversed(rows)]

    def rotation(self, target: str, *, before: str) -> tuple[str, float] | None:
        """Night and rotation of a target's latest accepted frame of an earlier night that has one.

        Nights are compared by their date.
        """
        rows = self._rows(
            "SELECT night, rotation_deg FROM frames WHERE target = ? AND night < ?"
            " AND verdict = ? AND rotation_deg IS NOT NULL ORDER BY start_utc DESC LIMIT 1",
            [target, before, Verdict.ACCEPTED.value],
        )
        return (rows[0]["night"], rows[0]["rotation_deg"]) if rows else None

    def latest_rotation_deg(self) -> float | None:
        """Rotation of the latest accepted frame of all targets that has one."""
        rows = self._rows(
            "SELECT rotation_deg FROM frames WHERE verdict = ? AND rotation_deg IS NOT NULL"
            " ORDER BY start_utc DESC LIMIT 1",
            [Verdict.ACCEPTED.value],
        )
        return rows[0]["rotation_deg"] if rows else None

    def subs(
        self, target: str, verdict: Verdict = Verdict.ACCEPTED, *, night: str | None = None
    ) -> dict[str, int]:
        """Number of frames with that verdict by filter."""
        where, values = where_clause(target=target, night=night, verdict=verdict)
        rows = self._rows(
            f"SELECT filter, count(*) AS number FROM frames {where} GROUP BY filter", values
        )
        return {row["filter"]: row["number"] for row in rows}

    def targets(self) -> list[str]:
        """Names of all targets that have frames."""
        distinct = "SELECT DISTINCT target FROM frames WHERE kind = ? ORDER BY 1"
        return [name for (name,) in self._rows(distinct, [FrameKind.LIGHT.value])]

    # Focus curves and checks -----------------------------------------------------------------

    def add_curve(self, curve: Curve) -> None:
        """Enter a focus curve."""
        self._insert("curves", curve)

    def curves(self, *, filter: str | None = None, night: str | None = None) -> list[Curve]:
        """Curves in the order in which they were taken."""
        where, values = where_clause(filter=filter, night=night)
        names = ", ".join(columns(Curve))
        rows = self._rows(f"SELECT {names} FROM curves {where} ORDER BY taken_utc, id", values)
        return [from_row(Curve, row) for row in rows]

    def add_check(self, check: Check) -> None:
        """Enter a check of the focus."""
        self._insert("focus_checks", check)

    def checks(self, *, filter: str | None = None, night: str | None = None) -> list[Check]:
        """Checks of the focus in the order in which they were made."""
        where, values = where_clause(filter=filter, night=night)
        names = ", ".join(columns(Check))
        rows = self._rows(
            f"SELECT {names} FROM focus_checks {where} ORDER BY taken_utc, id", values
        )
        return [from_row(Check, row) for row in rows]

    # Durations -------------------------------------------------------------------------------

    def add_duration(self, duration: Duration) -> None:
        """Enter how long something took."""
        self._insert("durations", duration)

    def durations(self, latest: int) -> list[Duration]:
        """The latest ones of each kind and each pair of filters, in the order they were entered."""
        names = ", ".join(columns(Duration))
        rows = self._rows(
            f"SELECT {names} FROM (SELECT *, row_number() OVER"
            " (PARTITION BY kind, before, after ORDER BY id DESC) AS age FROM durations)"
            " WHERE age <= ? ORDER BY id",
            [latest],
        )
        return [from_row(Duration, row) for row in rows]

    # Guide calibrations ----------------------------------------------------------------------

    def add_calibration(self, calibration: GuideCalibration) -> None:
        """Enter a guide calibration; the latest of a pier side is the one that counts."""
        self._insert("guide_calibrations", calibration)

    def calibrations(self) -> list[GuideCalibration]:
        """The latest guide calibration of each pier side, the older one first."""
        names = ", ".join(columns(GuideCalibration))
        rows = self._rows(
            f"SELECT {names} FROM guide_calibrations WHERE id IN"
            " (SELECT max(id) FROM guide_calibrations GROUP BY pier_side) ORDER BY id",
            [],
        )
        return [from_row(GuideCalibration, row) for row in rows]

    # Backlash of the focuser ------------------------------------------------------------------

    def add_backlash(self, found: FocuserBacklash) -> None:
        """Enter the focuser's backlash; the latest counts."""
        self._insert("focuser_backlash", found)

    def backlash(self) -> FocuserBacklash | None:
        """The latest that was measured, or None."""
        names = ", ".join(columns(FocuserBacklash))
        rows = self._rows(f"SELECT {names} FROM focuser_backlash ORDER BY id DESC LIMIT 1", [])
        return from_row(FocuserBacklash, rows[0]) if rows else None

    # Hot pixels of the guide camera -----------------------------------------------------------

    def add_hot_pixels(self, found: GuideHotPixels) -> None:
        """Enter a map of the guide camera's hot pixels; the latest of its size counts."""
        self._insert("hot_pixels", found)

    def hot_pixels(self, width_px: int, height_px: int) -> GuideHotPixels | None:
        """The latest map for frames of this size, or None."""
        names = ", ".join(columns(GuideHotPixels))
        rows = self._rows(
            f"SELECT {names} FROM hot_pixels WHERE width_px = ? AND height_px = ?"
            " ORDER BY id DESC LIMIT 1",
            [width_px, height_px],
        )
        return from_row(GuideHotPixels, rows[0]) if rows else None

    # Pointing misses -------------------------------------------------------------------------

    def add_miss(self, miss: PointingMiss) -> None:
        """Enter by how much slews miss; the latest of a pier side is the one that counts."""
        self._insert("pointing_misses", miss)

    def misses(self) -> list[PointingMiss]:
        """The latest miss of each pier side, the older one first."""
        names = ", ".join(columns(PointingMiss))
        rows = self._rows(
            f"SELECT {names} FROM pointing_misses WHERE id IN"
            " (SELECT max(id) FROM pointing_misses GROUP BY pier_side) ORDER BY id",
            [],
        )
        return [from_row(PointingMiss, row) for row in rows]

    # Calibration frames ----------------------------------------------------------------------

    def add_calibration_frame(self, frame: CalibrationFrame) -> None:
        """Enter a dark, bias or flat that is kept; one uid enters once."""
        self._insert("calibration_frames", frame)

    def calibration_frames(self, *, night: str | None = None) -> list[CalibrationFrame]:
        """Darks, biases and flats in the order in which they were taken, of all nights."""
        where, values = where_clause(night=night)
        names = ", ".join(columns(CalibrationFrame))
        rows = self._rows(
            f"SELECT {names} FROM calibration_frames {where} ORDER BY start_utc, uid", values
        )
        return [from_row(CalibrationFrame, row) for row in rows]

    # Places ----------------------------------------------------------------------------------

    def add_place(self, place: Place) -> None:
        """Enter where a target stands at a new pointing."""
        self._insert("places", place)

    def places(self, target: str) -> list[Place]:
        """All pointings of a target, those of earlier nights first, in their order."""
        names = ", ".join(columns(Place))
        rows = self._rows(
            f"SELECT {names} FROM places WHERE target = ? ORDER BY night, number", [target]
        )
        return [from_row(Place, row) for row in rows]
