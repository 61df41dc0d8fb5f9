"""Instants in words: plant time in the site's own zone, always with the zone's name."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

# Own names: strftime would follow the gateway's locale, and the page speaks one language.
WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


class SiteTime:
    """Writes seconds since 1970-01-01 UTC as the site's clocks show them.

    zone : name of the time zone, such as ``Europe/Madrid``.
    now : plant time; the year is written only when it is not the year of `now`. [s]
    """

    def __init__(self, zone: str, now: float) -> None:
        self.zone = ZoneInfo(zone)
        self.now = now
        self._year = self._local(now).year

    @staticmethod
    def parse(text: str) -> float:
        """Seconds since 1970-01-01 UTC of an ISO 8601 text with its zone."""
        at = datetime.fromisoformat(text)
        if at.tzinfo is None:
            raise ValueError(f"a time without its zone: {text!r}")
        return at.timestamp()

    def entered(self, text: str) -> float:
        """Seconds since 1970-01-01 UTC of a time as the site's clocks show it, ``2026-03-31T10:40``.

        Raises ValueError, in words for who entered it, for what is no such time, and for an hour that
        does not exist or comes twice when the clocks change.
        """
        try:
            naive = datetime.fromisoformat(text)
        except ValueError:
            raise ValueError("The time is not one; write it like 2026-03-31T10:40.") from None
        if naive.tzinfo is not None:
            return naive.timestamp()
        first, second = (naive.replace(tzinfo=self.zone, fold=fold) for fold in (0, 1))
        if first.utcoffset() == second.utcoffset():
            return first.timestamp()
        clock = f"{naive:%H:%M}"
        if first.astimezone(UTC).astimezone(self.zone).replace(tzinfo=None) != naive:
            raise ValueError(f"{clock} did not exist that day: the clocks went forward.")
        raise ValueError(
            f"{clock} came twice that day: the clocks went back. Enter a time an hour earlier or later."
        )

    def _local(self, at: float) -> datetime:
        return datetime.fromtimestamp(at, UTC).astimezone(self.zone)

    def day(self, at: float) -> str:
        """``Wed 25 Nov``."""
        local = self._local(at)
        text = f"{WEEKDAYS[local.weekday()]} {local.day} {MONTHS[local.month - 1]}"
        return text if local.year == self._year else f"{text} {local.year}"

    def clock(self, at: float, *, seconds: bool = False) -> str:
        """``12:04 CET``, with seconds when asked for."""
        local = self._local(at)
        name = local.tzname() or ""
        name = f"UTC{name}" if name[:1] in "+-" else name  # zones without letters of their own
        return f"{local:%H:%M:%S} {name}" if seconds else f"{local:%H:%M} {name}"

    def stamp(self, at: float) -> str:
        """``Wed 25 Nov, 12:04 CET``."""
        return f"{self.day(at)}, {self.clock(at)}"

    def ahead(self, at: float) -> str:
        """``in 9 days``, ``tomorrow``, ``today``; ``reached`` when it has passed."""
        if at <= self.now:
            return "reached"
        days = (self._local(at).date() - self._local(self.now).date()).days
        return "today" if days == 0 else "tomorrow" if days == 1 else f"in {days} days"


def iso(at: float) -> str:
    """ISO 8601 in UTC with Z, whole seconds."""
    return datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def ago(seconds: float) -> str:
    """An age in its two largest units: ``40 s ago``, ``3 min ago``, ``2 h 5 min ago``, ``4 days ago``."""
    s = round(max(0.0, seconds))
    if s < 60:
        return f"{s} s ago"
    if s < 3600:
        return f"{s // 60} min ago"
    if s < 86400:
        minutes = s % 3600 // 60
        return f"{s // 3600} h {minutes} min ago" if minutes else f"{s // 3600} h ago"
    days = s // 86400
    return "1 day ago" if days == 1 else f"{days} days ago"
