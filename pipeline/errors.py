"""Every error the program raises on purpose.

::

    SnapledgerError            exit 1
    |-- UsageError             exit 2   a wrong option, path or field level
    |   `-- ConfigError                 a wrong or unknown key or value in a configuration file
    |-- InputError             exit 1   a file that cannot be charted
    |   |-- NotVideoError               not a video or not a picture, or nothing to decode in it
    |   |-- TruncatedError              the file ends before it should
    |   |-- TooLongError                longer than the configured limit
    |   `-- NoFieldError                no football field was found in it
    |-- ModelError             exit 1   a model file is missing, unlisted or has a wrong checksum
    |-- OutputError            exit 1   a result cannot be written (no space, no permission)
    |   `-- BusyError                   another process holds the file or the run
    |-- AuditError             exit 1   an act of an audit cannot be taken (wrong label, value, person, frame)
    |-- ShapeError             exit 1   an array has not the shape or the values its field needs
    `-- SomeFailedError        exit 3   some clips failed; the others are written
"""

from __future__ import annotations

from pathlib import Path


class SnapledgerError(Exception):
    """Root. ``message`` says what, ``where`` the file (and frame), ``hint`` what to do about it."""

    exit_code = 1

    def __init__(
        self,
        message: str,
        *,
        where: str | Path | None = None,
        frame: int | None = None,
        hint: str = "",
    ) -> None:
        self.message = message
        self.where = None if where is None else str(where)
        self.frame = frame
        self.hint = hint
        super().__init__(message)

    def __str__(self) -> str:
        place = self.where or ""
        if self.frame is not None:
            place += f" (frame {self.frame})"
        text = f"{place.strip()}: {self.message}" if place.strip() else self.message
        return f"{text} Hint: {self.hint}" if self.hint else text

    def __reduce__(self) -> tuple[object, ...]:
        # Exceptions with keyword-only arguments do not survive pickling between processes by default.
        return (_rebuild, (type(self), self.message, self.where, self.frame, self.hint))


def _rebuild(
    kind: type[SnapledgerError], message: str, where: str | None, frame: int | None, hint: str
) -> SnapledgerError:
    return kind(message, where=where, frame=frame, hint=hint)


class UsageError(SnapledgerError):
    """A wrong option, path or field level."""

    exit_code = 2


class ConfigError(UsageError):
    """A wrong or unknown key or value in a configuration file."""


class InputError(SnapledgerError):
    """A file that cannot be charted."""


class NotVideoError(InputError):
    """Not a video (or picture), or nothing in it can be decoded."""


class TruncatedError(InputError):
    """The file ends before it should."""


class TooLongError(InputError):
    """The film is longer than the configured limit."""


class NoFieldError(InputError):
    """No football field was found."""


class ModelError(SnapledgerError):
    """A model file is missing, not listed in the manifest, or has a wrong checksum."""


class OutputError(SnapledgerError):
    """A result cannot be written."""


class BusyError(OutputError):
    """Another process holds the file or the run; nothing was written."""


class AuditError(SnapledgerError):
    """An act of an audit cannot be taken: unknown snap, label or person, or a value the label does not have."""


class ShapeError(SnapledgerError):
    """An array has not the shape or the values its field needs."""


class SomeFailedError(SnapledgerError):
    """Some clips failed; the rest is written."""

    exit_code = 3
