"""The open standards in which services answer: JSON, problem details, GeoJSON and the WMO's unit codes. Pure."""

import json
import math
import re
from datetime import UTC, datetime
from typing import Any

from monitor import errors
from monitor.errors import ProviderContractError
from monitor.weather.units import conversion, units_of

_UNIT_OF_CODE = {
    "degC": "°C",
    "degF": "°F",
    "K": "K",
    "percent": "%",
    "km_h-1": "km/h",
    "m_s-1": "m/s",
    "kt": "kt",
    "degree_(angle)": "°",
    "mm": "mm",
    "cm": "cm",
    "m": "m",
    "km": "km",
    "kg_m-2": "kg/m²",
    "W_m-2": "W/m²",
}
"""Code of the WMO's table of common units, and how ``units.py`` spells that unit."""

DEEPEST = 50
"""Levels of an answer; no service has ten. Python itself fails at some hundreds, in whatever looks at such a value."""

NEXT_PULL = " If the next pull says the same, the service has changed and stormwalk needs an update."
"""What to do about an answer that cannot be read; of a file it is not true."""

_LONGEST_QUOTE = 400
"""Letters of an answer, or of its names, that stand in a sentence."""


def broken(service: str, expected: str, found: str) -> ProviderContractError:
    """The error of an answer that is not in the agreed shape."""
    return ProviderContractError(
        f"{service}: expected {quoted(expected)}, got {quoted(found)}. Nothing was read from this answer.{NEXT_PULL}"
    )


def quoted(said: object) -> str:
    """What a service says, as it fits into a sentence."""
    return errors.quoted(said, _LONGEST_QUOTE)


def decoded(service: str, body: bytes) -> Any:
    """The JSON of an answer.

    Raises ProviderContractError where the body is empty, a web page, not JSON, cut off, nested too deeply, has text
    that cannot be written down, or is a problem report (RFC 9457).
    """
    text = body.decode("utf-8", "replace").lstrip("\ufeff").strip()
    if not text:
        raise broken(service, "a JSON answer", "an empty body")
    if text.startswith("<"):
        raise broken(service, "a JSON answer", "a web page (HTML)")
    try:
        answer = json.loads(text)
    except RecursionError:
        raise broken(service, "a JSON answer", f"one nested too deeply: {text[:60]!r}") from None
    except json.JSONDecodeError as error:
        closing = {"{": "}", "[": "]"}.get(text[0])
        if closing and (text[-1] != closing or error.pos >= len(text)):
            raise broken(service, "a whole JSON answer", f"one cut off after {len(text)} characters") from None
        found = f"text that is not JSON at character {error.pos}: {text[:60]!r}"
        raise broken(service, "a JSON answer", found) from None
    except ValueError as error:  # a whole number of thousands of digits
        raise broken(service, "a JSON answer", f"a number that cannot be read ({error!s:.60})") from None
    _refuse_deep(service, answer, text)
    if _HALF_LETTER.search(text):
        _refuse_half_letters(service, answer)
    if isinstance(answer, dict) and isinstance(answer.get("title"), str) and isinstance(answer.get("status"), int):
        said = quoted(": ".join(str(answer[key]) for key in ("title", "detail") if answer.get(key)))
        raise ProviderContractError(
            f'{service} sent error {answer["status"]} instead of an answer: "{said}". Nothing was read. '
            f"The next pull asks again."
        )
    return answer


def _refuse_deep(service: str, answer: Any, text: str) -> None:
    level = [answer] if isinstance(answer, dict | list) else []
    for _ in range(DEEPEST):
        parts = (part.values() if isinstance(part, dict) else part for part in level)
        level = [each for part in parts for each in part if isinstance(each, dict | list)]
        if not level:
            return
    raise broken(service, "a JSON answer", f"one nested too deeply: {text[:60]!r}")


_HALF_LETTER = re.compile(r"\\u[dD][89a-fA-F]")
"""Half of a letter beyond the first 65,536 of Unicode, as JSON escapes it. Whole ones are two halves."""


def _refuse_half_letters(service: str, answer: Any) -> None:
    try:
        json.dumps(answer, ensure_ascii=False).encode()
    except UnicodeEncodeError as error:
        found = f"half a letter ({error.object[error.start]!a})"
        raise broken(service, "text that can be written down", found) from None


def member(service: str, parent: Any, name: str, kind: type) -> Any:
    """A named part of a JSON object; ProviderContractError unless it is there and of that kind: dict, list or str."""
    value = parent.get(name) if isinstance(parent, dict) else None
    if not isinstance(value, kind):
        wanted = "an object" if kind is dict else "a list" if kind is list else "a text"
        raise broken(service, f'{wanted} "{name}"', f"{value!r:.60}" if value is not None else "nothing of that name")
    return value


def features(service: str, answer: Any) -> list[dict[str, Any]]:
    """The features of a GeoJSON FeatureCollection, or the one of a Feature; each has an object ``properties``."""
    is_one = isinstance(answer, dict) and answer.get("type") == "Feature"
    found = [answer] if is_one else member(service, answer, "features", list)
    for feature in found:
        if not isinstance(feature, dict) or not isinstance(feature.get("properties"), dict):
            raise broken(service, 'an object "properties" in every feature', f"{feature!r:.60}")
    return list(found)


def number(service: str, name: str, value: Any) -> float:
    """A JSON number as it is, null as NaN; ProviderContractError for anything else."""
    if value is None:
        return math.nan
    if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e300:
        return float(value)
    raise broken(service, f"a number or null as {name}", f"{value!r:.60}")


def moment(service: str, name: str, value: Any) -> datetime:
    """An ISO 8601 time with its offset, in UTC; ProviderContractError for anything else."""
    try:
        parsed = datetime.fromisoformat(value)
        if parsed.tzinfo is not None and 1800 < parsed.year < 2200:
            return parsed.astimezone(UTC)
    except (TypeError, ValueError, OverflowError):
        pass
    raise broken(service, f"a time such as 2026-01-10T06:00:00+00:00 as {name}", f"{value!r:.60}")


def in_canonical_unit(service: str, name: str, variable: str, value: float, code: Any) -> float:
    """A value in the unit that its code states, such as ``wmoUnit:km_h-1``, in the canonical unit of ``variable``.

    The prefix has changed over the years (``unit:``, ``wmoUnit:``) and is passed over. NaN needs no unit.
    """
    if math.isnan(value):
        return value
    unit = _UNIT_OF_CODE.get(code.rpartition(":")[2].rpartition("/")[2]) if isinstance(code, str) else None
    if unit is None or unit not in units_of(variable):
        known = ", ".join(name for name, unit in _UNIT_OF_CODE.items() if unit in units_of(variable))
        raise broken(service, f"{name} in one of {known}", f"{code!r}")
    return conversion(variable, unit)(value)
