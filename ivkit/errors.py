"""The errors that ivkit raises for bad input.

Each one says what is wrong, where, and what to do about it, and prints as one line:
``place: what is wrong; what to do``. Each class is also a builtin, so that a caller who does
not know ivkit can still catch it.
"""

from collections.abc import Iterator
from contextlib import contextmanager


class IvkitError(Exception):
    """Base of every error that ivkit raises on purpose.

    Parameters
    ----------
    what : str
        What is wrong, with the value that is wrong in it.
    where : str, optional
        File, row, column or key.
    remedy : str, optional
        What the user can do about it.

    Examples
    --------
    >>> str(IvkitError("'abc' is not a number", "sweep.csv, row 3", "leave the cell blank"))
    "sweep.csv, row 3: 'abc' is not a number; leave the cell blank"
    """

    def __init__(self, what: str, where: str = "", remedy: str = "") -> None:
        self.what, self.where, self.remedy = what, where, remedy
        super().__init__(what, where, remedy)

    def __str__(self) -> str:
        text = f"{self.where}: {self.what}" if self.where else self.what
        return f"{text}; {self.remedy}" if self.remedy else text


class FileError(IvkitError, OSError):
    """A file that cannot be opened, read or written."""


class TableError(IvkitError, ValueError):
    """A table that cannot be read, or cannot be read in only one way."""


class BenchError(IvkitError, ValueError):
    """A bench or datasheet file whose keys or values make no sense."""


class SweepError(IvkitError, ValueError):
    """Readings from which the wanted answer cannot be had."""


class RangeError(IvkitError, ValueError):
    """A physical quantity outside the range where it has a meaning."""


@contextmanager
def about(name: str) -> Iterator[None]:
    """Name the file that a computation rests on in the errors that come out of it.

    Several are joined by a comma and a blank; those that an error tells already are not told again.

    Examples
    --------
    >>> with about("log.csv"):
    ...     raise RangeError("no light brings 9 W out of this panel")
    Traceback (most recent call last):
        ...
    ivkit.errors.RangeError: log.csv: no light brings 9 W out of this panel
    """
    try:
        yield
    except IvkitError as error:
        names = [one for one in name.split(", ") if one and one not in error.where]
        if not names:
            raise
        where = ", ".join([*names, error.where] if error.where else names)
        raise type(error)(error.what, where, error.remedy) from None
