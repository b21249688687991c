"""What an installation sets in its environment: keys and addresses that belong in no file and no database."""

from collections.abc import Mapping
from dataclasses import dataclass, field

OPEN_METEO_SETTINGS = {"customer_key": "STORMWALK_OPEN_METEO_KEY", "own_server": "STORMWALK_OPEN_METEO_SERVER"}
"""Plan of a yard, and the name in the environment of what that plan needs."""


@dataclass(frozen=True)
class Settings:
    """Open-Meteo's customer key (plan ``customer_key``) and the address of an own server (plan ``own_server``)."""

    open_meteo_key: str = field(default="", repr=False)
    open_meteo_server: str = ""

    @classmethod
    def from_environment(cls, environment: Mapping[str, str]) -> "Settings":
        """Settings under the names of ``OPEN_METEO_SETTINGS``; what is not set is empty."""
        return cls(
            open_meteo_key=environment.get(OPEN_METEO_SETTINGS["customer_key"], ""),
            open_meteo_server=environment.get(OPEN_METEO_SETTINGS["own_server"], ""),
        )
