"""One error class a cause, each with its exit status.

Raised where the cause is known, caught only in `cli`. A refusal of one region is a result
(`treat.Done`), never an exception. Every message's first line is the cause; `hint` says what to do.
"""

from __future__ import annotations

__all__ = [
    "AlreadyTreated",
    "BeadwrightError",
    "CannotWrite",
    "Fault",
    "InputError",
    "NotFoundOnPlate",
    "Refused",
    "StrictWarning",
    "UsageError",
]


class BeadwrightError(Exception):
    """Root of all errors a user may see.

    Parameters
    ----------
    cause : what was found, with the file, line or key, and what was expected.
    hint : what to do next.
    """

    status = 1

    def __init__(self, cause: str, hint: str = "") -> None:
        super().__init__(cause)
        self.cause = cause
        self.hint = hint

    def __str__(self) -> str:
        return f"{self.cause}\n{self.hint}" if self.hint else self.cause


class UsageError(BeadwrightError, ValueError):
    """The command line asks for something that makes no sense."""

    status = 2


class InputError(BeadwrightError, ValueError):
    """A G-code file, kit or profile can't be read or is invalid."""

    status = 3


class NotFoundOnPlate(BeadwrightError, LookupError):
    """A part is on the plate but a region of it meets no bead, or no part is there at all."""

    status = 4


class Refused(BeadwrightError, ValueError):
    """Done as asked it would be unsafe or impossible."""

    status = 5


class AlreadyTreated(Refused):
    """The file carries a record of ours already."""


class StrictWarning(BeadwrightError):
    """`--strict` and at least one warning."""

    status = 6


class CannotWrite(BeadwrightError, OSError):
    """Disk full, no permission, or the target is held open by another program."""

    status = 7


class Fault(BeadwrightError, RuntimeError):
    """A fault of ours: nothing was written."""

    status = 70
