"""What a database or its driver says, in plain words.

No message holds the URL, a user, a password, the name of a machine, a value or the text of a
statement: those of drivers do.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

import sqlalchemy as sa

from audit.errors import UnusableInput

Given = TypeVar("Given")

#: the part of a URL that names the schema; no driver has an option of that name
SCHEMA = "audit_schema"
_HOW_TO_WRITE = "sqlite:///audit.db or postgresql://user@server/database"
_NO_DRIVER = (
    "The Python driver of this kind of database is not installed. For PostgreSQL: pip install "
    "psycopg[binary]; for another engine the driver that SQLAlchemy asks for."
)
_UNKNOWN_KIND = (
    "This kind of database is not known here. SQLite and PostgreSQL are; for another engine "
    f"install what SQLAlchemy needs for it. Write the URL like {_HOW_TO_WRITE}."
)
UNREADABLE_URL = (
    f"The database URL cannot be understood. Write it like {_HOW_TO_WRITE}; signs such as @ : / "
    "in a user name or password are written as %40 %3A %2F."
)
_UNOPENED = "The SQLite file cannot be opened: check the path and the permissions."
_ENCODING = "The database holds text in an unknown encoding; it must be UTF-8."
#: SQLSTATE class or code (ISO/IEC 9075, and the PostgreSQL manual, appendix A) -> what to say
_BY_STATE: tuple[tuple[str, str], ...] = (
    ("42501", "The user has no right to read it: ask for the right to SELECT."),
    ("57014", "The database stopped the reading after its own time limit. Try again."),
    ("55P03", "Another program holds it locked. Try again later."),
    ("22021", _ENCODING),
    ("22P05", _ENCODING),
    ("08", "The connection to the database was lost. Check that the server runs; try again."),
    ("57P", "The connection to the database was lost. Check that the server runs; try again."),
)
#: words of a driver's message, in lower case -> what to say
_BY_WORDS: tuple[tuple[str, str], ...] = (
    ("password", "The database refuses the sign-in: check the user and the password."),
    ("no pg_hba.conf entry", "The database refuses the sign-in from this computer."),
    ("does not exist", "The server has no such database or user: check the names in the URL."),
    ("invalid connection option", "The database URL has an option that the driver does not know. "
     f"A schema is chosen with {SCHEMA}=NAME."),
    ("ssl", "The secure connection to the database could not be made: check the options of the "
     "URL and what the server offers."),
    ("timeout", "The database did not answer in time: check the server, or try again later."),
    ("refused", "The database server cannot be reached: check that it runs, and its port."),
    ("resolve", "The database server cannot be found: check its name."),
    ("translate host", "The database server cannot be found: check its name."),
    ("closed", "The connection to the database was lost. Check that the server runs; try again."),
    ("terminat", "The connection to the database was lost. Check that the server runs; try again."),
    ("connection", "The connection to the database failed. Check that the server runs, and the "
     "names in the URL."),
    ("not a database", "The file is not a SQLite database."),
    ("malformed", "The SQLite file is damaged."),
    ("readonly database", "A change of another program was left unfinished beside the SQLite "
     "file. Open the database once with the program that writes it, close it, then try again."),
    ("locked", "Another program is writing to the SQLite file. Close it, then try again."),
    ("unable to open", _UNOPENED),
    ("codec can't", _ENCODING),
)  # fmt: skip
_OTHERWISE = (
    "The database cannot be read. Check the URL, the rights of the user and that the tables can "
    "be selected from."
)


def refused_plainly(action: Callable[[], Given], *, about: str = "") -> Given:
    """What the action gives; UnusableInput in plain words where the database or driver fails.

    about: what stands before the words, such as "Table cases: ". The error carries no other error
    with it: those of drivers quote users, servers, statements and values.
    """
    try:
        return action()
    except sa.exc.NoSuchModuleError:
        words = _UNKNOWN_KIND
    except sa.exc.ArgumentError:
        words = UNREADABLE_URL
    except ImportError:
        words = _NO_DRIVER
    except OSError:
        words = _UNOPENED
    except (sa.exc.SQLAlchemyError, UnicodeError) as error:
        words = about + _words_for(error)
    raise UnusableInput(words)


def _words_for(error: Exception) -> str:
    cause = getattr(error, "orig", None) or error
    state = str(getattr(cause, "sqlstate", None) or getattr(cause, "pgcode", None) or "")
    for start, words in _BY_STATE:
        if state.startswith(start):
            return words
    told = str(cause).lower() if not state else ""
    return next((words for sign, words in _BY_WORDS if sign in told), _OTHERWISE)
