"""Errors that a person reads: one sentence that says where, what was found, what is expected and what to do."""


class StormwalkError(Exception):
    """Something a person can put right; the command line prints the sentence and exits with 1."""


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
