"""What an installation sets in its environment: keys and addresses that belong in no file and no database."""

from collections.abc import Mapping
from dataclasses import dataclass, field

OPEN_METEO_SETTINGS = {"customer_key": "STORMWALK_OPEN_METEO_KEY", "own_server": "STORMWALK_OPEN_METEO_SERVER"}
"""Plan of a yard, and the name in the environment of what that plan needs."""


BACKUPS = "STORMWALK_BACKUPS"
"""Name of the folder for nightly backups, or ``off``; unset is the usual folder beside the database."""

BACKUP_HOUR = "STORMWALK_BACKUP_HOUR"
"""Name of the hour of the nightly backup on the yard's clock, 0 to 23."""

OFF, BESIDE = "off", ""


@dataclass(frozen=True)
class Settings:
    """What an installation sets.

    Open-Meteo's customer key (plan ``customer_key``), the address of an own server (plan ``own_server``), the folder
    for nightly backups (`OFF`: none are made; `BESIDE`: the usual one) and their hour.
    """

    open_meteo_key: str = field(default="", repr=False)
    open_meteo_server: str = ""
    backups: str = OFF
    backup_hour: str = "2"

    @classmethod
    def from_environment(cls, environment: Mapping[str, str]) -> "Settings":
        """Settings under the names above; what is not set is empty, and backups are made in the usual folder then."""
        return cls(
            open_meteo_key=environment.get(OPEN_METEO_SETTINGS["customer_key"], ""),
            open_meteo_server=environment.get(OPEN_METEO_SETTINGS["own_server"], ""),
            backups=environment.get(BACKUPS, BESIDE),
            backup_hour=environment.get(BACKUP_HOUR) or "2",
        )
