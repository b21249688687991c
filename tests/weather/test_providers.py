import subprocess
import sys

import pytest

from monitor.variables import SOURCES
from monitor.weather.providers import PROVIDERS

FIRST_WORDS_OF_CREDIT = {
    "open-meteo": "Weather data by Open-Meteo.com",  # the service's own wording, with a link; CC BY 4.0
    "metar-archive": "Airport reports (METAR) from the Iowa Environmental Mesonet",
    "nws-grid": "Forecast by the US National Weather Service",  # works of the US government: named, not required
    "nws-observations": "Station reports from the US National Weather Service",
    "ncei-daily": "Daily summaries (GHCN-Daily) from NOAA NCEI",
    "met-norway": "Data from MET Norway",  # the service's own wording; NLOD 2.0 and CC BY 4.0
    "bright-sky": "Source: Deutscher Wetterdienst",  # asked for by the German weather service
    "open-meteo-archive": "Weather data by Open-Meteo.com",
    "logger": "Measured at the yard",
    "hand": "Measured by hand at the yard",
}


@pytest.mark.parametrize("name", PROVIDERS)
def test_every_provider_has_a_known_name_a_parser_a_credit_and_terms(name):
    provider = PROVIDERS[name]
    assert provider.name == name
    assert name in SOURCES
    assert callable(provider.parse_days if provider.is_daily else provider.parse)
    assert provider.credit.startswith(FIRST_WORDS_OF_CREDIT[name])
    assert provider.terms.endswith(".")


def test_the_credit_of_open_meteo_links_names_the_licence_and_says_what_was_changed():
    credit = PROVIDERS["open-meteo"].credit
    assert "https://open-meteo.com/" in credit
    assert "CC BY 4.0" in credit
    assert "converted" in credit


def test_every_source_has_a_provider():
    assert set(PROVIDERS) == set(SOURCES)


def test_days_are_asked_of_a_daily_source_alone():
    with pytest.raises(ValueError, match="metar-archive gives hours, not days"):
        _ = PROVIDERS["metar-archive"].parse_days


@pytest.mark.parametrize("name", [name for name, of in PROVIDERS.items() if of.is_service])
def test_a_service_makes_requests(name):
    assert callable(PROVIDERS[name].requests_for)


def test_a_file_makes_no_requests():
    with pytest.raises(ValueError, match="logger is read from a file"):
        _ = PROVIDERS["logger"].requests_for


def test_naming_the_providers_loads_none_of_them():
    code = (
        "import sys; from monitor.weather.providers import PROVIDERS; "
        "assert not {'pandas', 'numpy', 'requests'} & set(sys.modules), 'a provider was loaded'"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
