"""Open a socket to the broker: with a timeout, and over TLS always with the host name verified."""

import socket
import ssl

from strikewatch.sources.mqtt.settings import Settings


def tls_context(settings: Settings) -> ssl.SSLContext | None:
    """Return the TLS context of the settings; None without TLS. Raises OSError for files that cannot be used."""
    tls = settings.tls
    if tls is None:
        return None
    context = ssl.create_default_context(cafile=tls.ca_file)
    if tls.cert_file is not None:
        context.load_cert_chain(tls.cert_file, tls.key_file)
    return context


def read_password(settings: Settings) -> str | None:
    """Read the user's password from its file; None without one. Raises OSError."""
    path = settings.password_file
    return path.read_text().rstrip("\r\n") if path else None


def open_socket(host: str, port: int, timeout_s: float, context: ssl.SSLContext | None) -> socket.socket:
    """Return a connected socket. Raises OSError (ssl's errors included)."""
    raw = socket.create_connection((host, port), timeout=timeout_s)
    raw.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return raw if context is None else context.wrap_socket(raw, server_hostname=host)
