"""The way to the broker's socket: time-limited, and over TLS always with the host's name verified."""

import socket
import ssl

from strikewatch.sources.mqtt.settings import Settings


def context_of(settings: Settings) -> ssl.SSLContext | None:
    """TLS as the settings ask for it; None for an open line. Raises OSError for files that cannot be used."""
    tls = settings.tls
    if tls is None:
        return None
    context = ssl.create_default_context(cafile=tls.ca_file)
    if tls.cert_file is not None:
        context.load_cert_chain(tls.cert_file, tls.key_file)
    return context


def password_of(settings: Settings) -> str | None:
    """The user's password as its file has it now. Raises OSError."""
    path = settings.password_file
    return path.read_text().rstrip("\r\n") if path else None


def dial(host: str, port: int, timeout_s: float, context: ssl.SSLContext | None) -> socket.socket:
    """A connected socket. Raises OSError, ssl's errors among it."""
    raw = socket.create_connection((host, port), timeout=timeout_s)
    raw.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return raw if context is None else context.wrap_socket(raw, server_hostname=host)
