"""What an action at a cover changes: vents and posts added, a boat wrapped anew, a cover that came off."""

import sqlite3
from dataclasses import replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from monitor.inspections import Action, plain_word
from monitor.register import Cover, Yard
from monitor.store import inspections as store
from monitor.store import register as register_store
from monitor.wording import local_text

BUILDING = frozenset({"vents_added", "post_added"})
"""Actions that add to the build."""


def build_on(conn: sqlite3.Connection, yard: Yard, cover: Cover, entry: Action, corrected: Action | None) -> list[str]:
    """Change the register as an action says, inside the caller's transaction."""
    if entry.action == "rewrapped":
        wrapped_on = entry.acted_at.astimezone(ZoneInfo(yard.time_zone)).date()
        register_store.start_new_cover(conn, entry.cover_id, wrapped_on, entry.acted_at, entry.recorded_at)
        return [f"A new cover begins on {wrapped_on}, built as the old one; import the register to change its build."]
    if entry.action == "unwrapped":
        said = [f"Boat {cover.boat.number} is on no list any more. Its condition report covers the time until then."]
        return said + _came_off_already(conn, yard, cover, entry)
    counted = [action for action in (corrected, entry) if action is not None and _is_counted(action)]
    if counted:
        _rebuild(conn, cover, min(_builds_at(cover, action) for action in counted), entry.recorded_at)
    said = []
    if corrected is not None and _is_counted(corrected):
        earlier = f"{plain_word(corrected.action)} of {corrected.acted_at:%Y-%m-%d}"
        said.append(f"Took back what {earlier} had added to the build.")
    if _is_counted(entry):
        build = register_store.cover(conn, entry.cover_id).build_at(_builds_at(cover, entry))
        now_has = f"{build.vent_count} vents" if entry.action == "vents_added" else f"{build.post_count} posts"
        said.append(f"The cover has {now_has} from then on.")
    elif entry.action in BUILDING:
        said.append(
            "How many was not said, so the recorded build stays as it is: correct the entry with --quantity, or import "
            "a register row with that built_on."
        )
    return said


def _came_off_already(conn: sqlite3.Connection, yard: Yard, cover: Cover, entry: Action) -> list[str]:
    """A word where the log says so twice: both are kept, and a correction takes one back."""
    standing = store.log_of_cover(conn, cover.stored_id).actions
    others = [each for each in standing if each.action == "unwrapped" and each.id not in (entry.id, entry.corrects_id)]
    return [
        f"It was logged before that the cover came off, {local_text(each.acted_at, yard.time_zone, year=True)} by "
        f"{each.actor} (id {each.id[:8]}); both stand."
        for each in others[:1]
    ]


def _rebuild(conn: sqlite3.Connection, cover: Cover, since: datetime, recorded_at: datetime) -> None:
    """Make the cover's builds again from ``since`` on: each is the one before it and what the log says was added.

    Ends at the first build that no action made: an import counts what is there.
    """
    standing = [action for action in store.log_of_cover(conn, cover.stored_id).actions if _is_counted(action)]
    ever = [a for a in store.log_of_cover(conn, cover.stored_id, history=True).actions if _is_counted(a)]
    made_by_actions = {_builds_at(cover, action) for action in ever}
    build = [earlier for earlier in cover.builds if earlier.built_at < since][-1]
    moments = {later.built_at for later in cover.builds} | {_builds_at(cover, action) for action in standing}
    for moment in sorted(moment for moment in moments if moment >= since):
        if moment not in made_by_actions:
            return
        here = [action for action in standing if _builds_at(cover, action) == moment]
        vents = sum(int(action.quantity or 0) for action in here if action.action == "vents_added")
        posts = sum(int(action.quantity or 0) for action in here if action.action == "post_added")
        build = replace(build, built_at=moment, vent_count=build.vent_count + vents)
        if posts:
            build = replace(build, post_count=(build.post_count or 0) + posts)
        register_store.add_build(conn, cover.stored_id, build, recorded_at)


def _is_counted(action: Action) -> bool:
    return action.action in BUILDING and action.quantity is not None


def _builds_at(cover: Cover, action: Action) -> datetime:
    """When an action's build begins: with the action, but after the wrapping, whose build stays as it was recorded."""
    return max(action.acted_at, cover.builds[0].built_at + timedelta(seconds=1))
