"""A copy of a SQLite database, taken while the service runs, and read again before it counts as one."""

import sqlite3
from contextlib import closing
from pathlib import Path

from shipsvc.domain import errors


def back_up(source: Path, target: Path) -> int:
    """Copy the database to a new file, by SQLite's online backup, and check it; the number of facts in the copy.

    Writers go on meanwhile: the copy holds what was committed when it began. It is for its owner's eyes only, since
    the keys that sign tokens are in it, and appears under its name when it is complete. Raises AlreadyThere where
    ``target`` exists, and RuleForbids where ``source`` is not a sound database of this service.
    """
    if target.exists():
        raise errors.AlreadyThere(what="file", name=target)
    part = target.with_name(f"{target.name}.part")
    part.unlink(missing_ok=True)
    part.touch(mode=0o600)
    try:
        _copy(source, part)
        facts = _check(part, source)
        part.rename(target)
    finally:
        part.unlink(missing_ok=True)
    return facts


def _copy(source: Path, target: Path) -> None:
    try:
        with closing(_open(source, "rw")) as original, closing(_open(target, "rw")) as copy:
            original.backup(copy)
            # One file that needs no other beside it, wherever it is carried.
            copy.execute("PRAGMA journal_mode=DELETE")
    except sqlite3.Error as failure:
        raise errors.RuleForbids(why=f"{source} cannot be copied: {failure}.") from failure


def _check(copy: Path, source: Path) -> int:
    """Read the copy as a stranger would, through and through."""
    try:
        with closing(_open(copy, "ro")) as connection:
            ((found, *_),) = connection.execute("PRAGMA integrity_check(1)").fetchall()
            ((facts,),) = connection.execute("SELECT count(*) FROM event").fetchall()
    except sqlite3.Error as failure:
        raise errors.RuleForbids(why=f"{source} is not a database of this service: {failure}.") from failure
    if found != "ok":
        raise errors.RuleForbids(why=f"{source} is damaged: {found}.")
    return int(facts)


def _open(path: Path, mode: str) -> sqlite3.Connection:
    """A connection that makes no file where there is none."""
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode={mode}", uri=True)
