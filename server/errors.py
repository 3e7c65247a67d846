"""Every expected failure of the application, as one family of exceptions.

A class carries the facts as attributes and a sentence for the chemist; which
status and page belong to it is decided in one table in ``server.web.errors``.

YieldwrightError
├── NotFoundError             a thing that is not there (any more)
├── InvalidInputError         one or more fields hold something that cannot be used
├── NeedsConfirmationError    unusual but possible: kept once the chemist says yes
├── ConflictError             somebody else changed the same thing meanwhile
├── NotReadyError             the question needs more runs or settings than there are
├── NothingReachableError     the limits contradict each other
├── BusyError                 something large is being stored; the same works in a moment
├── StorageError              the disk is full, or cannot be written for another reason
├── FormulaTextError          a formula that cannot be read, with the position
└── StartupError              the program cannot start: port taken, database unusable
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping, Sequence


def _sendable(text: str) -> str:
    return text.encode("utf-8", "replace").decode("utf-8")


class YieldwrightError(Exception):
    """Base of all expected failures; ``str(error)`` is a sentence for the chemist."""


class NotFoundError(YieldwrightError):
    """A preparation, variable, run or other record does not exist."""

    def __init__(self, what: str, key: object) -> None:
        self.what = what
        self.key = key
        super().__init__(f"There is no {what} {key}. It may have been deleted meanwhile.")


class InvalidInputError(YieldwrightError):
    """Input that cannot be used; ``messages`` maps a field name to its sentence.

    What was typed may be quoted in it; half a surrogate pair, which no answer could hold, becomes a question mark.
    """

    def __init__(self, messages: Mapping[str, str]) -> None:
        self.messages = {_sendable(name): _sendable(text) for name, text in messages.items()}
        super().__init__(" ".join(self.messages.values()))


class NeedsConfirmationError(YieldwrightError):
    """Input that is unusual; storing it needs a yes among the confirmations.

    The ``code`` is a yes to whatever is asked, for scripts that send it along with the
    values; ``answer`` is a yes to this very message, for forms that are sent again.
    ``others`` are other answers that will do, as code and question.
    """

    def __init__(self, field: str, code: str, message: str, question: str, *others: tuple[str, str]) -> None:
        self.field = field
        self.code = code
        self.others = others
        self.message = message
        self.question = question
        super().__init__(message)

    @property
    def answer(self) -> str:
        """The code, bound to the message: other values need another yes."""
        return self._bound(self.code)

    @property
    def choices(self) -> tuple[tuple[str, str], ...]:
        """The answers that will do, each with its question."""
        return tuple((self._bound(code), question) for code, question in self._offered)

    @property
    def _offered(self) -> list[tuple[str, str]]:
        return [(self.code, self.question), *self.others]

    def _bound(self, code: str) -> str:
        return f"{code}:{hashlib.sha256(self.message.encode('utf-8', 'replace')).hexdigest()[:10]}"

    def raise_unless_in(self, given: Collection[str]) -> str:
        """Return the code of the answer that is among the confirmations; raise where none is."""
        for code, _ in self._offered:
            if code in given or self._bound(code) in given:
                return code
        raise self


class ConflictError(YieldwrightError):
    """The record was changed since the form was opened."""


class BusyError(YieldwrightError):
    """Someone else was writing to the database for too long."""

    def __init__(self) -> None:
        super().__init__(
            "Something large is being stored, and the database was busy too long. Nothing was stored of this: try again."
        )


class StorageError(YieldwrightError):
    """What was to be stored could not be written to the disk."""

    def __init__(self, reason: str) -> None:
        self.reason = reason
        super().__init__(
            f"The disk could not be written ({reason}), and nothing was stored of this. Make room on the disk of the machine "
            "that the app runs on, or let it write there, then try again."
        )


class NotReadyError(YieldwrightError):
    """There are too few runs (or variables) for the question; says how many are needed."""

    def __init__(self, message: str, *, have: int, need: int) -> None:
        self.have = have
        self.need = need
        super().__init__(message)


class NothingReachableError(YieldwrightError):
    """No settings satisfy all limits; ``contradicting`` names a smallest set that clashes."""

    def __init__(self, contradicting: Sequence[str]) -> None:
        self.contradicting = tuple(contradicting)
        names = "; ".join(self.contradicting)
        super().__init__(f"No settings satisfy all limits. These contradict each other: {names}. Relax one of them.")


class FormulaTextError(YieldwrightError):
    """A chemical formula that cannot be read; ``position`` counts characters from 0."""

    def __init__(self, message: str, *, text: str, position: int) -> None:
        self.text = text
        self.position = position
        super().__init__(message)


class StartupError(YieldwrightError):
    """The program cannot start; the sentence says what is wrong and what to do."""
