"""What people see and do at a cover: inspections, findings, actions, and the closed lists they are taken from."""

import re
import uuid
from dataclasses import dataclass
from datetime import datetime

from monitor.errors import UNWRITABLE, LogError

PLACES = (
    "ridge",
    "bow",
    "port",
    "starboard",
    "stern",
    "perimeter_band",
    "belly_band",
    "vent",
    "door",
    "frame",
    "stands",
    "inside",
)

DEFECTS = (
    "sag",
    "standing_water",
    "snow_lying",
    "ice_lying",
    "tear",
    "hole",
    "open_weld",
    "open_pleat",
    "loose_band",
    "slipped_band",
    "loose_belly_band",
    "broken_strap",
    "leaning_post",
    "chafe",
    "vent_lost",
    "vent_blocked",
    "damp_inside",
    "mould_inside",
    "door_open",
    "stand_shifted",
    "tied_to_stand",
    "other",
)

STAND_DEFECTS = frozenset({"stand_shifted", "tied_to_stand"})
"""Always severity 3, and for the yard's stand crew: nobody else touches a stand."""

ACTIONS = (
    "cleared_snow",
    "drained_water",
    "retensioned_band",
    "retensioned_belly_bands",
    "taped",
    "rewelded",
    "vents_added",
    "vent_replaced",
    "post_added",
    "post_reset",
    "rewrapped",
    "unwrapped",
    "stands_reported",
    "customer_told",
    "other",
)

RETENSIONING = frozenset({"retensioned_band", "retensioned_belly_bands"})
"""Actions that restart gust work."""

REMEDIES: dict[str, frozenset[str]] = {
    "cleared_snow": frozenset({"snow_lying"}),
    "drained_water": frozenset({"standing_water"}),
    "retensioned_band": frozenset({"loose_band", "slipped_band"}),
    "retensioned_belly_bands": frozenset({"loose_belly_band"}),
    "taped": frozenset({"tear", "hole", "open_weld", "open_pleat"}),
    "rewelded": frozenset({"tear", "hole", "open_weld", "open_pleat"}),
    "vent_replaced": frozenset({"vent_lost", "vent_blocked"}),
    "post_added": frozenset({"sag"}),
    "post_reset": frozenset({"leaning_post"}),
    "rewrapped": frozenset(DEFECTS) - STAND_DEFECTS - {"other", "mould_inside", "damp_inside"},
    "unwrapped": frozenset(DEFECTS) - STAND_DEFECTS - {"other", "mould_inside", "damp_inside"},
}
"""Defects that an action puts right by its nature; anything else is closed by naming the finding, or by looking again.

Common practice, no source. A stand defect is closed only by an inspection that finds it sound.
"""

PHOTO_TYPES = ("image/jpeg", "image/png", "image/webp")
"""Kinds of picture that phones and cameras make, as media types."""

SEVERITIES = {0: "sound", 1: "watch", 2: "repair soon", 3: "make safe now"}


def plain_word(word: str) -> str:
    """A word of a closed list as people read it: ``loose belly band``, ``re-tensioned band``."""
    return re.sub(r"\b([Rr]e)(tension|weld|wrap)", r"\1-\2", word.replace("_", " "))


@dataclass(frozen=True)
class Inspection:
    """One person's check of one cover at one time; without findings it says that all was sound.

    Measured values are None where nobody measured. Times are UTC.
    """

    id: str
    cover_id: int
    inspected_at: datetime
    recorded_at: datetime
    inspector: str
    inside: bool
    note: str = ""
    snow_depth_m: float | None = None
    snow_water_mm: float | None = None
    band_drop_m: float | None = None
    corrects_id: str | None = None
    gust_seen_ms: float | None = None


@dataclass(frozen=True)
class Finding:
    """One defect seen at one place of a cover during an inspection."""

    id: str
    inspection_id: str
    place: str
    defect: str
    severity: int
    recorded_at: datetime
    note: str = ""
    corrects_id: str | None = None


@dataclass(frozen=True)
class Action:
    """Something done to a cover; it changes the modelled state from ``acted_at`` on."""

    id: str
    cover_id: int
    acted_at: datetime
    recorded_at: datetime
    actor: str
    action: str
    note: str = ""
    quantity: float | None = None
    finding_id: str | None = None
    corrects_id: str | None = None


@dataclass(frozen=True)
class Photo:
    """A picture taken at an inspection, of a finding perhaps, or of something done; exactly one of the two is named.

    ``sha256`` is the hash of the bytes as they were taken, under which they are kept.
    """

    id: str
    taken_at: datetime
    recorded_at: datetime
    taken_by: str
    sha256: str
    media_type: str
    byte_count: int
    width_px: int
    height_px: int
    note: str = ""
    inspection_id: str | None = None
    finding_id: str | None = None
    action_id: str | None = None


def check_finding(defect: str, place: str, severity: int, note: str) -> None:
    """Raise LogError where a finding is not of the closed lists, or has a severity or no note where it needs another.

    Severity 0 says that a defect found before is sound, a stand's too.
    """
    if defect not in DEFECTS:
        raise LogError(f"{defect!r} is not a defect; expected one of {', '.join(DEFECTS)}. Nothing was logged.")
    if place not in PLACES:
        raise LogError(f"{place!r} is not a place; expected one of {', '.join(PLACES)}. Nothing was logged.")
    if severity not in SEVERITIES:
        raise LogError(f"Severity {severity} is not one of 0, 1, 2, 3. Nothing was logged.")
    if defect in STAND_DEFECTS and severity not in (0, 3):
        raise LogError(
            f"{defect} is always severity 3, or 0 where it was found sound; found {severity}. Nothing was logged. Log "
            f"it again as 3, and tell the yard's stand crew."
        )
    if defect == "other" and not note.strip():
        raise LogError('A defect "other" needs a note that says what was seen. Nothing was logged.')
    check_words(note, "note")


def check_words(text: str, what: str) -> None:
    """Raise LogError where a text has letters that cannot be written down; ``what`` says whose text it is."""
    if found := UNWRITABLE.search(text):
        raise LogError(
            f"The {what} has a letter that cannot be written down, {found[0]!a} at place {found.start() + 1}. "
            f"Nothing was logged. Type it again without."
        )


def finding_id(inspection_id: str, place: str, defect: str) -> str:
    """The id of a finding that comes with its inspection, the same each time it is sent (UUID version 5, RFC 9562)."""
    return str(uuid.uuid5(uuid.NAMESPACE_OID, f"{inspection_id}/{place}/{defect}"))
