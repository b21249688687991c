"""US National Weather Service, watches and warnings in force at a yard: the request, and the answer as alerts. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from monitor.register import Yard
from monitor.weather.answers import broken, decoded, features, member, moment
from monitor.weather.providers import Request
from monitor.weather.providers.nws_grid import HEADERS, HOST, coordinates

SERVICE = "Weather Service alerts"
URL = f"{HOST}/alerts/active"

COVER_EVENTS: tuple[str, ...] = (
    # snow and ice on the film
    "Winter Storm Watch",
    "Winter Storm Warning",
    "Winter Weather Advisory",
    "Ice Storm Warning",
    "Blizzard Warning",
    "Lake Effect Snow Warning",
    "Snow Squall Warning",
    # wind on it
    "High Wind Watch",
    "High Wind Warning",
    "Wind Advisory",
    "Lake Wind Advisory",
    "Extreme Wind Warning",
    "Gale Watch",
    "Gale Warning",
    "Storm Watch",
    "Storm Warning",
    "Hurricane Force Wind Watch",
    "Hurricane Force Wind Warning",
    "Tropical Storm Watch",
    "Tropical Storm Warning",
    "Hurricane Watch",
    "Hurricane Warning",
    "Severe Thunderstorm Watch",
    "Severe Thunderstorm Warning",
    "Tornado Watch",
    "Tornado Warning",
)
"""Events that load, lift or tear a cover, by the service's names for them (partly from memory). Floods, frost, cold and
waves trouble a yard in other ways; marine winds are here because a yard lies at the water."""


@dataclass(frozen=True)
class Alert:
    """One watch, warning or advisory; times are in UTC.

    ``ends`` is the end of the event; where the service does not tell it, the time at which the message expires, which
    can be earlier. ``message_type`` is ``Alert`` or ``Update``; ``references`` are the ids that this one replaces.
    """

    id: str
    event: str
    severity: str
    certainty: str
    urgency: str
    sent: datetime
    onset: datetime
    ends: datetime
    headline: str
    message_type: str
    references: tuple[str, ...]
    sender: str


def requests_for(yard: Yard, start: datetime, end: datetime, now: datetime) -> list[Request]:
    """One request for what is in force now at the yard; none where ``end`` has passed: old alerts are not told."""
    if start >= end or end <= now:
        return []
    return [Request(url=URL, params={"point": coordinates(yard)}, headers=HEADERS)]


def parse_alerts(body: bytes) -> list[Alert]:
    """The alerts in force, by onset, each once; none is the usual answer.

    Tests and exercises are left out, and so is what another alert of the answer has replaced or cancelled.

    Raises
    ------
    ProviderContractError
        An error, not JSON, cut off, or an alert without id, event or times that can be read.
    """
    found = [feature["properties"] for feature in features(SERVICE, decoded(SERVICE, body))]
    newest: dict[str, tuple[Alert, str]] = {}
    for properties in found:
        alert = _alert(properties)
        earlier = newest.get(alert.id)
        if earlier is None or _age(alert) > _age(earlier[0]):
            newest[alert.id] = alert, str(properties.get("status"))
    alerts = [alert for alert, status in newest.values() if status == "Actual"]
    replaced = {reference for alert in alerts for reference in alert.references if reference != alert.id}
    in_force = [alert for alert in alerts if alert.id not in replaced and alert.message_type != "Cancel"]
    return sorted(in_force, key=lambda alert: (alert.onset, alert.event, alert.id))


def _age(alert: Alert) -> tuple[datetime, str]:
    """Later is larger; two versions of one second are put in order by what they say."""
    return alert.sent, repr(alert)


def _alert(properties: Mapping[str, Any]) -> Alert:
    sent = _time(properties, "sent")
    ends = _time(properties, "ends") or _time(properties, "expires")
    if sent is None or ends is None:
        raise broken(SERVICE, "the time when an alert was sent, and its end", f"sent {sent}, end {ends}")
    return Alert(
        id=member(SERVICE, properties, "id", str),
        event=member(SERVICE, properties, "event", str),
        severity=_text(properties, "severity"),
        certainty=_text(properties, "certainty"),
        urgency=_text(properties, "urgency"),
        sent=sent,
        onset=_time(properties, "onset") or _time(properties, "effective") or sent,
        ends=ends,
        headline=_text(properties, "headline"),
        message_type=member(SERVICE, properties, "messageType", str),
        references=_references(properties),
        sender=_text(properties, "senderName") or _text(properties, "sender"),
    )


def _text(properties: Mapping[str, Any], name: str) -> str:
    value = properties.get(name)
    return value if isinstance(value, str) else ""


def _time(properties: Mapping[str, Any], name: str) -> datetime | None:
    return moment(SERVICE, name, properties[name]) if properties.get(name) else None


def _references(properties: Mapping[str, Any]) -> tuple[str, ...]:
    """Ids of earlier messages: objects with an identifier, or texts as in CAP: ``sender,id,sent sender,id,sent``."""
    references = properties.get("references")
    objects = references if isinstance(references, list) else []
    ids = [_text(each, "identifier") for each in objects if isinstance(each, dict)]
    parameters = properties.get("parameters")
    expired = parameters.get("expiredReferences") if isinstance(parameters, dict) else None
    for written in [references, *(expired if isinstance(expired, list) else [])]:
        triples = [each.split(",") for each in written.split()] if isinstance(written, str) else []
        ids += [triple[1] for triple in triples if len(triple) == 3]
    return tuple(dict.fromkeys(filter(None, ids)))
