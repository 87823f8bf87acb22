"""Where the page listens: a socket made first, so that the address told is the address had."""

from __future__ import annotations

import socket

from xrdfilm.errors import XrdfilmError


def listening_socket(host: str, port: int) -> socket.socket:
    """A bound socket; raises XrdfilmError where the address is taken or not ours."""
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        found = socket.socket(family, kind, protocol)
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        found.bind(address)
    except OSError as problem:
        raise XrdfilmError(
            f"cannot listen on {host}, port {port} ({problem.strerror}); another page may run "
            "there: name another --port"
        ) from None
    return found


def shown_address(host: str, port: int) -> str:
    """The address as it is typed into a browser."""
    return f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"
