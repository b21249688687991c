"""Errors that a person reads: one sentence that says where, what was found, what is expected and what to do."""

import re

UNWRITABLE = re.compile(r"[\0-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff]")
"""Control characters, and halves of letters as JSON or a command line may have them: no text with one is taken."""

_UNPRINTABLE = re.compile(r"[\0-\x09\x0b-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
"""The same, tabs, and marks that break a line or turn its direction: what changes how a sentence is shown."""


def printable(text: str) -> str:
    """The text with an escape in place of every letter that a terminal would obey, not print; line ends stay."""
    return _UNPRINTABLE.sub(lambda letter: ascii(letter[0])[1:-1], text)


def quoted(said: object, longest: int) -> str:
    """What somebody else wrote as it fits into a sentence: one line, safe to print, of a long one the beginning."""
    text = printable(" ".join(str(said)[: 10 * longest].split()))
    return text if len(text) <= longest else f"{text[: longest - 3]}..."


class StormwalkError(Exception):
    """Something a person can put right; the command line prints the sentence and exits with 1.

    What it quotes of a file, an answer or a command line is safe to print.
    """

    def __str__(self) -> str:
        return printable(super().__str__())


class RegisterError(StormwalkError):
    """A register file or entry that cannot be taken; carries every problem found, not just the first."""


class ProviderContractError(StormwalkError):
    """A weather service's answer is not in the agreed shape: a unit changed, a column is gone, the body is cut off."""


class ServiceUnavailableError(StormwalkError):
    """A weather service could not be reached, or refused, after the agreed number of tries."""


class StoreError(StormwalkError):
    """The database cannot be opened, is not ours, or is newer than this version."""


class LogError(StormwalkError):
    """An inspection, finding or action that cannot be taken."""
