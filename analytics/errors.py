"""The one exception a person is meant to read: what is wrong, where, and what to do about it."""

from __future__ import annotations


class UserError(Exception):
    """A command, file or setting could not be understood, or a store could not be used.

    what:  one sentence, what was seen and what was expected.
    where: file, row, column, setting or path; empty where there is none.
    do:    one sentence, what to do now; empty where nothing can be done.

    The command line prints ``str(error)`` as one line and ends with exit code 2; pages show the same line.

    >>> str(UserError("the file is empty", where="checks.csv", do="Export it again with its heading line."))
    'checks.csv: the file is empty. Export it again with its heading line.'
    """

    def __init__(self, what: str, *, where: str = "", do: str = "") -> None:
        self.what = what.rstrip(".")
        self.where = where
        self.do = do
        head = f"{where}: " if where else ""
        tail = f". {do}" if do else "."
        super().__init__(f"{head}{self.what}{tail}")


class UnavailableError(UserError):
    """Nothing is wrong with what was given: the store, or the disk, cannot serve it now.

    Whoever works through many files leaves this one where it is and tries again later.
    """
