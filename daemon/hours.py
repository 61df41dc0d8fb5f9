"""Working hours of a contact in the site's time zone, over changes to and from summer time."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from daemon.plantfile.result import Contact

_LOOK_AHEAD_DAYS = 9  # a week, and a day on each side for time zones and shifts over midnight


def next_working_time(contact: Contact, zone: ZoneInfo, now: float) -> float:
    """`now` inside the contact's working hours, else when they begin next. [s since 1970-01-01 UTC]

    A shift over midnight ("22:00" to "06:00") belongs to the day it begins; equal ends mean the whole
    day. A time that summer time skips is read with the offset before the change (PEP 495,
    fold = 0), so it falls an hour later on the clock. Raises ValueError for a contact without working days.
    """
    if not contact.days:
        raise ValueError(f"contact {contact.name!r} has no working days")
    begin, end = (time.fromisoformat(text) for text in contact.hours)
    today = datetime.fromtimestamp(now, UTC).astimezone(zone).date()
    for offset in range(-1, _LOOK_AHEAD_DAYS):
        day = today + timedelta(days=offset)
        if day.weekday() not in contact.days:
            continue
        starts = _instant(day, begin, zone)
        ends = _instant(day if begin < end else day + timedelta(days=1), end, zone)
        if now < ends:
            return max(now, starts)
    raise AssertionError("every week has each of its days")


def _instant(day: date, at: time, zone: ZoneInfo) -> float:
    return datetime.combine(day, at, zone).timestamp()
