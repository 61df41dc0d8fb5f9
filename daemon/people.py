"""People who may write on the page: names and passwords, kept in the record as salted scrypt hashes.

A password is never kept, printed or logged. Whoever can read record.db finds hashes that cost
`Cost` work for each guess; whoever can write it needs none.
"""

import hashlib
import hmac
import secrets
import unicodedata
from dataclasses import dataclass

from daemon.record import Record

SHORTEST = 10  # characters
LONGEST = 256
LONGEST_NAME = 60
SALT_BYTES = 16
HASH_BYTES = 32
_MEMORY_BYTES = 64 * 1024 * 1024


class PeopleError(ValueError):
    """A name or password that cannot be used; the text says why. It never holds a password."""


@dataclass(frozen=True, slots=True)
class Cost:
    """How much work one hash is: scrypt's n, r and p (RFC 7914).

    16 MiB and a few tenths of a second on a small gateway; the memory rules out a larger n there.
    """

    n: int = 2**14
    r: int = 8
    p: int = 5


def folded(name: str) -> str:
    """A name as it is compared: capitals and spare blanks do not matter."""
    return " ".join(unicodedata.normalize("NFKC", name).split()).casefold()


class People:
    """Who may write. `cost` is for new passwords; each stored one keeps its own."""

    def __init__(self, record: Record, cost: Cost | None = None) -> None:
        self._record = record
        self._cost = cost or Cost()
        self._nobody = secrets.token_bytes(SALT_BYTES)

    def names(self) -> tuple[str, ...]:
        """Everybody who may write, by name."""
        rows = self._record.select("SELECT name FROM person ORDER BY folded")
        return tuple(row["name"] for row in rows)

    def set_password(self, name: str, password: str) -> bool:
        """Let `name` write with this password, and end what was signed in with an older one.

        returns : True when the name is new.
        """
        name = _checked_name(name)
        _check_password(password, name)
        salt, cost = secrets.token_bytes(SALT_BYTES), self._cost
        hashed = _hash(password, salt, cost)
        with self._record.transaction() as connection:
            key = folded(name)
            known = connection.execute("SELECT 1 FROM person WHERE folded = ?", (key,)).fetchone()
            connection.execute("DELETE FROM session WHERE person = ?", (key,))
            connection.execute(
                "INSERT INTO person VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT (folded) DO UPDATE SET"
                " name = excluded.name, salt = excluded.salt, hash = excluded.hash,"
                " n = excluded.n, r = excluded.r, p = excluded.p",
                (key, name, salt, hashed, cost.n, cost.r, cost.p),
            )
        return known is None

    def remove(self, name: str) -> None:
        """`name` may write no longer; what is signed in by that name ends at once."""
        with self._record.transaction() as connection:
            gone = connection.execute("DELETE FROM person WHERE folded = ?", (folded(name),))
        if not gone.rowcount:
            known = ", ".join(self.names()) or "nobody yet"
            raise PeopleError(f"{name!r} has no password here; who has one: {known}")

    def check(self, name: str, password: str) -> str | None:
        """The name as it was entered with `brinelark password`, or None when name or password is wrong.

        An unknown name takes as long as a wrong password, so that names cannot be found out.
        """
        rows = self._record.select("SELECT * FROM person WHERE folded = ?", (folded(name),))
        if not rows:
            _hash(password[:LONGEST], self._nobody, self._cost)
            return None
        row = rows[0]
        found = _hash(password[:LONGEST], row["salt"], Cost(row["n"], row["r"], row["p"]))
        return str(row["name"]) if hmac.compare_digest(found, row["hash"]) else None


def _hash(password: str, salt: bytes, cost: Cost) -> bytes:
    # Two keyboards may write one letter with two sequences of code points (NIST SP 800-63B, 5.1.1.2).
    plain = unicodedata.normalize("NFKC", password).encode()
    return hashlib.scrypt(
        plain, salt=salt, n=cost.n, r=cost.r, p=cost.p, maxmem=_MEMORY_BYTES, dklen=HASH_BYTES
    )


def _checked_name(name: str) -> str:
    name = " ".join(name.split())
    if not name:
        raise PeopleError("the name is empty; give the name that the journal shall show")
    if len(name) > LONGEST_NAME or not name.isprintable():
        raise PeopleError(f"a name has at most {LONGEST_NAME} characters, all of them printable")
    return name


def _check_password(password: str, name: str) -> None:
    if len(password) < SHORTEST:
        raise PeopleError(
            f"the password has {len(password)} characters, at least {SHORTEST} are needed;"
            " three or four words are easy to remember and to type"
        )
    if len(password) > LONGEST:
        raise PeopleError(
            f"the password has {len(password)} characters, at most {LONGEST} are possible"
        )
    if folded(password) == folded(name) or len(set(password)) < 4:
        raise PeopleError("this password is guessed at once; three or four words make a good one")
