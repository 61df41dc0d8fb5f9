"""The kinds of fault between a plant and its readers, and what each takes.

Errors: BadLink, with what would be right.
"""

from collections.abc import Mapping
from dataclasses import dataclass

PROTOCOLS = ("both", "modbus", "opcua")
CODES = (1, 2, 3, 4, 5, 6, 7, 8, 10, 11)

TAKES: Mapping[str, tuple[str, ...]] = {
    "hold": ("protocol",),
    "late": ("protocol", "seconds"),
    "clock_step": ("protocol", "seconds"),
    "clock_drift": ("protocol", "ppm"),
    "nan": ("protocol", "train", "tag"),
    "range_code": ("protocol", "train", "tag"),
    "bad_status": ("train", "tag"),
    "uncertain_status": ("train", "tag"),
    "byte_order": (),
    "exception": ("code",),
    "short": (),
    "silent": ("protocol",),
    "down": ("protocol",),
}
"""Keys that each kind takes beside `kind`.

hold : the last sample is repeated, values and stamps. late : every sample comes `seconds` of plant
time after it was taken. clock_step, clock_drift : stamps are wrong by `seconds`, or by more and
more. nan, range_code : the value of `tag` (all when left out) of `train` (all when left out) is not a
number, or 32767.
bad_status, uncertain_status : on OPC UA. byte_order, exception, short : on Modbus, words of a value
swapped, every request answered by the exception `code`, the last register missing. silent : connections
are taken and stay open, and no request is answered. down : nobody listens, and open connections are gone.
"""

_ONLY = {
    **dict.fromkeys(("bad_status", "uncertain_status"), "opcua"),
    **dict.fromkeys(("byte_order", "exception", "short"), "modbus"),
}


class BadLink(ValueError):
    """A link fault that makes no sense; the text says what would."""


@dataclass(frozen=True)
class LinkFault:
    """One fault of the link. protocol : which of `PROTOCOLS`; kinds that only one can have ignore it."""

    kind: str
    protocol: str = "both"
    train: str = ""
    tag: str = ""
    seconds: float = 60.0
    ppm: float = 1000.0
    code: int = 6

    def __post_init__(self) -> None:
        if self.kind not in TAKES:
            raise BadLink(f"link: kind {self.kind!r} is not known; use one of {', '.join(TAKES)}")
        if self.protocol not in PROTOCOLS:
            raise BadLink(
                f"link ({self.kind}): protocol {self.protocol!r}; use one of {', '.join(PROTOCOLS)}"
            )
        if self.kind == "late" and not self.seconds > 0.0:
            raise BadLink(f"link (late): seconds is {self.seconds:g}; it must be above 0")
        if self.code not in CODES:
            raise BadLink(
                f"link ({self.kind}): code {self.code}; exception codes are "
                f"{', '.join(map(str, CODES))}"
            )

    def about(self, train: str, signal: str) -> bool:
        """Whether it concerns a signal of a train."""
        return self.train in ("", train) and self.tag in ("", signal)

    def on(self, protocol: str) -> bool:
        """Whether it concerns ``modbus`` or ``opcua``."""
        return _ONLY.get(self.kind, self.protocol) in ("both", protocol)
