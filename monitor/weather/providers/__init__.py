"""Weather providers: what each is called, what its licence asks for, and the shape of the requests they make.

A provider is a module with a pure ``parse(body, *, fetched_at) -> ParsedHours`` and, if it is a service, a pure
``requests_for(yard, start, end, now) -> list[Request]``. To add one, write the module and name it in ``PROVIDERS``.
"""

import importlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from monitor.weather.providers.ncei_daily import ParsedDays
    from monitor.weather.table import ParsedHours


@dataclass(frozen=True)
class Request:
    """One GET to a service. Secrets stand apart: they are sent, and never stored, shown or logged."""

    url: str
    params: Mapping[str, str] = field(default_factory=dict)
    headers: Mapping[str, str] = field(default_factory=dict)
    secret_params: Mapping[str, str] = field(default_factory=dict, repr=False)


@dataclass(frozen=True)
class Answer:
    """What a service sent, as it came; ``url`` is without secrets, ``fetched_at`` in UTC."""

    url: str
    status: int
    headers: Mapping[str, str]
    body: bytes
    fetched_at: datetime


@dataclass(frozen=True)
class Provider:
    """A source of weather: ``credit`` stands wherever its data are shown, ``terms`` is shown when a yard chooses it.

    A daily one gives no hours: its module has ``parse_days``, and its days are a check beside the hours. Between two
    requests to a service ``pause_s`` seconds pass at least.
    """

    name: str
    module: str
    credit: str
    terms: str
    is_service: bool = True
    is_daily: bool = False
    pause_s: float = 1.0

    @property
    def parse(self) -> "Callable[..., ParsedHours]":
        """The module's ``parse``; the module is imported when first asked for."""
        parse: Callable[..., ParsedHours] = self._load().parse
        return parse

    @property
    def parse_days(self) -> "Callable[..., ParsedDays]":
        """The module's ``parse_days``; ValueError for a source of hours."""
        if not self.is_daily:
            raise ValueError(f"{self.name} gives hours, not days")
        parse_days: Callable[..., ParsedDays] = self._load().parse_days
        return parse_days

    @property
    def requests_for(self) -> Callable[..., list[Request]]:
        """The module's ``requests_for``; ValueError for a source that is a file."""
        if not self.is_service:
            raise ValueError(f"{self.name} is read from a file and makes no requests")
        requests_for: Callable[..., list[Request]] = self._load().requests_for
        return requests_for

    def _load(self) -> Any:
        return importlib.import_module(f"{__name__}.{self.module}")


_ALL = (
    Provider(
        name="open-meteo",
        module="open_meteo",
        credit="Weather data by Open-Meteo.com (https://open-meteo.com/), CC BY 4.0; units converted by stormwalk.",
        terms="The free service is for non-commercial use only; a business needs a customer key or its own server.",
    ),
    Provider(
        name="metar-archive",
        module="metar_archive",
        credit="Airport reports (METAR) from the Iowa Environmental Mesonet, https://mesonet.agron.iastate.edu/; "
        "hourly values made by stormwalk.",
        terms="Public domain, free for business use; at most one request a second.",
    ),
    Provider(
        name="nws-grid",
        module="nws_grid",
        credit="Forecast by the US National Weather Service, https://www.weather.gov/; hourly values by stormwalk.",
        terms="US government work, free for business use; the service wants a contact. United States only.",
    ),
    Provider(
        name="nws-observations",
        module="nws_observations",
        credit="Station reports from the US National Weather Service, https://www.weather.gov/; hourly values made by "
        "stormwalk.",
        terms="US government work, free for business use; the service wants a contact. Only about the last week.",
    ),
    Provider(
        name="ncei-daily",
        module="ncei_daily",
        credit="Daily summaries (GHCN-Daily) from NOAA NCEI, https://www.ncei.noaa.gov/; units converted by stormwalk.",
        terms="US government work, free for business use; days come 2 to 3 days late.",
        is_daily=True,
        pause_s=3.0,
    ),
    Provider(
        name="met-norway",
        module="met_norway",
        credit="Data from MET Norway (https://api.met.no/), NLOD 2.0 / CC BY 4.0; six-hour sums divided by stormwalk.",
        terms="Free for business use with credit; the yard must give a contact.",
    ),
    Provider(
        name="bright-sky",
        module="bright_sky",
        credit="Source: Deutscher Wetterdienst, by way of Bright Sky (https://brightsky.dev/); units converted by "
        "stormwalk.",
        terms="Free for all purposes; the German weather service asks to be named as the source. Germany.",
    ),
    Provider(
        name="open-meteo-archive",
        module="open_meteo_archive",
        credit="Weather data by Open-Meteo.com (https://open-meteo.com/), CC BY 4.0; units converted by stormwalk.",
        terms="Non-commercial use only without a plan; for a business its past needs the Professional plan or an own "
        "server.",
    ),
    Provider(
        name="logger",
        module="logger",
        credit="Measured at the yard.",
        terms="The yard's own data.",
        is_service=False,
    ),
    Provider(
        name="hand",
        module="hand",
        credit="Measured by hand at the yard.",
        terms="The yard's own data.",
        is_service=False,
    ),
)

PROVIDERS: dict[str, Provider] = {provider.name: provider for provider in _ALL}
"""Every provider by the name of its source."""
