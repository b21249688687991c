"""Notices on their way out: mail, webhooks and others through the extra ``notify``, to addresses from the environment.

An address often holds a password. It is read from the environment, handed to the library that sends, and kept nowhere
else: no sentence, log or table of ours repeats any part of it.
"""

import logging
import re
from collections.abc import Mapping
from typing import Any

from monitor.errors import ServiceUnavailableError
from monitor.messages import Message

EVERY_YARD = "STORMWALK_NOTIFY"
"""Name in the environment of the addresses that hear of every yard, parted by blanks."""


def own_name(yard_key: str) -> str:
    """Name in the environment of the addresses that hear of one yard alone: ``STORMWALK_NOTIFY_NORTH``."""
    return f"{EVERY_YARD}_{re.sub(r'[^A-Z0-9]', '_', yard_key.upper())}"


class Sender:
    """Sends messages to the addresses of their yard, and remembers for the life of the process who has got which.

    Where one of several addresses fails, the next try goes to that one alone. Where all have it and that could not be
    noted, as on a full disk, the next try goes to none.
    """

    def __init__(self, environment: Mapping[str, str]) -> None:
        self._addresses = {
            name: value.split()
            for name, value in environment.items()
            if name == EVERY_YARD or name.startswith(f"{EVERY_YARD}_")
        }
        self._got: set[tuple[str, str]] = set()

    def has_address(self, yard_key: str) -> bool:
        """Whether anybody is to be told of this yard."""
        return bool(self._of(yard_key))

    def send(self, message: Message) -> str:
        """Send to every address that has not got the message; returns what to note.

        Raises ServiceUnavailableError, naming addresses by the name of their setting and their place in it, where the
        extra is not installed, no address is set, an address cannot be read, or one did not take the message.
        """
        addresses = self._of(message.yard_key)
        if not addresses:
            raise ServiceUnavailableError(
                f"No address is set for yard {message.yard_key}. Nothing was sent. Put addresses into "
                f"{EVERY_YARD} or {own_name(message.yard_key)} in the environment of the service."
            )
        apprise = _library()
        failed = []
        for where, address in addresses:
            if (message.key, address) in self._got:
                continue
            trouble = _send(apprise, address, message)
            if trouble:
                failed.append(f"{where} {trouble}")
            else:
                self._got.add((message.key, address))
        if failed:
            raise ServiceUnavailableError(
                f"{len(addresses) - len(failed)} of {len(addresses)} addresses have the message; {'; '.join(failed)}."
            )
        return f"sent to {len(addresses)} {'address' if len(addresses) == 1 else 'addresses'}"

    def _of(self, yard_key: str) -> list[tuple[str, str]]:
        """The addresses of a yard, each once, and before each where it is set."""
        found: dict[str, str] = {}
        for name in (EVERY_YARD, own_name(yard_key)):
            for place, address in enumerate(self._addresses.get(name, ()), start=1):
                found.setdefault(address, f"address {place} in {name}")
        return [(where, address) for address, where in found.items()]


def _library() -> Any:
    try:
        import apprise
    except ImportError:
        raise ServiceUnavailableError(
            "Notices go out through the extra 'notify', which is not installed here. Nothing was sent. Install it with "
            "pip install 'stormwalk[notify]', then start the service again."
        ) from None
    # The library writes hosts and users of addresses into its log; what went wrong is said by us.
    logging.getLogger("apprise").setLevel(logging.CRITICAL + 1)
    return apprise


def _send(apprise: Any, address: str, message: Message) -> str:
    """Send to one address; empty, or what was wrong with it in words that do not repeat it."""
    target = apprise.Apprise.instantiate(address)
    if target is None:
        return "cannot be read as an address: it begins like mailto://, json:// or another that the extra knows"
    if not target.notify(title=message.title, body=message.body, notify_type=apprise.NotifyType.INFO):
        return f"({target.service_name}) did not take it: look whether it is right, and whether its server answers"
    return ""
