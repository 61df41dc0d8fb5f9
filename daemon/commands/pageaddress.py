"""Where a person finds the page, and what to know before it is opened to others."""

import ipaddress
import socket

from daemon.plantfile import Plant

OPEN = (
    "whoever reaches the page's port can read it, and passwords cross the network as they are "
    "typed. Keep it behind the site's own access (VPN, or a reverse proxy with https)."
)


def shown(plant: Plant, address: str) -> str:
    """The address to print. For all addresses of the machine: by its name, and on the machine itself."""
    host = plant.page.host
    if not address or not (_ip(host) and ipaddress.ip_address(host).is_unspecified):
        return address
    written = f"[{host}]" if ":" in host else host
    local = "[::1]" if ":" in host else "127.0.0.1"
    here = address.replace(written, local, 1)
    name = socket.gethostname()
    if name in ("", "localhost"):
        return here
    return f"{address.replace(written, name, 1)} (on this machine {here})"


def warning(plant: Plant) -> str:
    """What to say once when the page can be reached from other machines; "" when it cannot."""
    host = plant.page.host
    closed = host == "localhost" or (_ip(host) and ipaddress.ip_address(host).is_loopback)
    return "" if closed else OPEN


def _ip(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True
