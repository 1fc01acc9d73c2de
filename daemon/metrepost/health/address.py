"""Where health is served: loopback only."""

import ipaddress


def parse_address(text: str) -> tuple[str, int]:
    """Host and port from ``127.0.0.1:9180`` or ``[::1]:9180``. Raises ValueError: what is told here is for this machine only."""
    host, _, port = text.rpartition(":")
    try:
        address = ipaddress.ip_address("127.0.0.1" if host == "localhost" else host.strip("[]"))
        number = int(port)
    except ValueError as error:
        raise ValueError(f"{text!r} is no address; write 127.0.0.1:9180") from error
    if not address.is_loopback:
        raise ValueError(
            f"{host} is not loopback; whoever must see it from elsewhere puts a proxy with a login before 127.0.0.1"
        )
    if not 0 <= number <= 65535:
        raise ValueError(f"port {number} is not one; a port is a number from 1 to 65535 (0: any free one)")
    return str(address), number
