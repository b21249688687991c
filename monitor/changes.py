"""What a cover could have been built or kept like instead: the change, and the cover that it makes. Pure."""

from dataclasses import dataclass, fields, replace
from datetime import datetime
from typing import Any

import numpy as np

from monitor.hazards.series import HazardParameters
from monitor.inspections import Action
from monitor.register import Cover, CoverBuild, side_slope_deg

_OF_BUILD = ("vents", "vent_area_m2", "ridge_raise_m", "belly_spacing_m", "ground", "film_colour")


@dataclass(frozen=True)
class Change:
    """A cover built or kept otherwise; None and empty leave it as it was. Moments are UTC.

    ``since`` is the moment from which the changed build counts, None for all of it from the wrapping on.
    """

    vents: int | None = None
    vent_area_m2: float | None = None
    ridge_raise_m: float | None = None
    belly_spacing_m: float | None = None
    ground: str | None = None
    film_colour: str | None = None
    retensioned_at: tuple[datetime, ...] = ()
    cleared_at: tuple[datetime, ...] = ()
    since: datetime | None = None

    @property
    def of_build(self) -> bool:
        """Whether the build itself is changed."""
        return any(getattr(self, name) is not None for name in _OF_BUILD)

    @property
    def of_vents(self) -> bool:
        """Whether the vents are changed: their number or their size."""
        return self.vents is not None or self.vent_area_m2 is not None

    def snow_changed_at(self, wrapped_at: datetime) -> datetime | None:
        """From when on the snow on the cover is another; None where it is not."""
        moments = [*self.cleared_at, *([self.since or wrapped_at] if self.ridge_raise_m is not None else [])]
        return min(moments, default=None)


def changed_cover(cover: Cover, change: Change, parameters: HazardParameters) -> Cover:
    """The cover as the change would have it; before ``since`` it stays as it was.

    A raised ridge lifts every slope that follows from it; a measured slope is changed by as much as the slope that
    follows from ridge and half-beam. Where no ridge is recorded, each measured slope stands for a ridge of its own.
    """
    if not change.of_build:
        return cover

    def changed(build: CoverBuild) -> CoverBuild:
        return _changed_build(build, cover.boat.beam_m, change, parameters)

    if change.since is None:
        return replace(cover, builds=tuple(changed(build) for build in cover.builds))
    then = change.since
    kept = [build for build in cover.builds if build.built_at < then]
    current = replace(cover.build_at(then), built_at=then)
    later = [build for build in cover.builds if build.built_at > then]
    return replace(cover, builds=(*kept, changed(current), *(changed(build) for build in later)))


def kept_cover(cover: Cover, moment: datetime) -> Cover:
    """The cover as if it had had the build of a moment from its wrapping on."""
    return replace(cover, builds=(replace(cover.build_at(moment), built_at=cover.builds[0].built_at),))


def actions_of(change: Change, cover_id: int) -> list[Action]:
    """What was done besides: the change as entries of the log."""
    done = [("retensioned_band", moment) for moment in change.retensioned_at]
    done += [("retensioned_belly_bands", moment) for moment in change.retensioned_at]
    done += [("cleared_snow", moment) for moment in change.cleared_at]
    return [
        Action(f"what-if-{number}", cover_id, moment, moment, "what if", action)
        for number, (action, moment) in enumerate(done)
    ]


def _changed_build(build: CoverBuild, beam_m: float, change: Change, parameters: HazardParameters) -> CoverBuild:
    given: dict[str, Any] = {
        "vent_count": change.vents,
        "vent_area_m2": change.vent_area_m2,
        "belly_band_spacing_m": change.belly_spacing_m,
        "ground": change.ground,
        "film_colour": change.film_colour,
    }
    build = replace(build, **{name: value for name, value in given.items() if value is not None})
    return build if change.ridge_raise_m is None else _raised(build, beam_m, change.ridge_raise_m, parameters)


def _raised(build: CoverBuild, beam_m: float, raise_m: float, parameters: HazardParameters) -> CoverBuild:
    """Ridge and slopes higher, each slope by the rule of `changed_cover`."""

    def lifted(slope_deg: float) -> float:
        if build.ridge_rise_m is None:
            return side_slope_deg(np.tan(np.radians(slope_deg)) * beam_m / 2 + raise_m, beam_m)
        more = side_slope_deg(build.ridge_rise_m + raise_m, beam_m) - side_slope_deg(build.ridge_rise_m, beam_m)
        return min(slope_deg + more, 89.0)

    known = {name: getattr(build, name) for name in _SLOPES if getattr(build, name) is not None}
    slopes: dict[str, Any] = {name: lifted(slope_deg) for name, slope_deg in known.items()}
    return replace(
        build,
        ridge_rise_m=None if build.ridge_rise_m is None else build.ridge_rise_m + raise_m,
        ridge_above_ground_m=(build.ridge_above_ground_m or parameters.wind.default_height_m) + raise_m,
        **slopes,
    )


_SLOPES = tuple(one.name for one in fields(CoverBuild) if one.name.endswith("_slope_deg"))
