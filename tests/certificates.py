"""Certificates for tests, made on the spot: an authority, and servers and clients that it vouches for.

ca = Authority(tmp_path)
server = ca.issue("broker", hosts=["localhost", "127.0.0.1"])
client = ca.issue("processor")
ca.ca_file, server.cert_file, server.key_file        # paths of PEM files
"""

import datetime
import ipaddress
from dataclasses import dataclass
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID


@dataclass(frozen=True)
class Issued:
    """PEM files of one certificate and its key."""

    cert_file: Path
    key_file: Path


class Authority:
    """A certificate authority of its own in `folder`."""

    def __init__(self, folder: Path, name: str = "test authority") -> None:
        self._folder = folder
        self._name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._public = self._sign(self._name, self._key, x509.BasicConstraints(ca=True, path_length=0), [])
        self.ca_file = folder / f"{name.replace(' ', '-')}.pem"
        self.ca_file.write_bytes(self._public.public_bytes(serialization.Encoding.PEM))

    def issue(self, name: str, hosts: list[str] | None = None, good_days: float = 30) -> Issued:
        """A certificate with common name `name`; `hosts` are names and addresses of a server.

        It is good from yesterday until `good_days` from now.
        """
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        basic = x509.BasicConstraints(ca=False, path_length=None)
        cert = self._sign(subject, key, basic, [_host(h) for h in hosts or []], good_days)
        issued = Issued(self._folder / f"{name}.pem", self._folder / f"{name}.key")
        issued.cert_file.write_bytes(cert.public_bytes(serialization.Encoding.PEM))
        issued.key_file.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.NoEncryption(),
            )
        )
        return issued

    def _sign(
        self,
        subject: x509.Name,
        key: ec.EllipticCurvePrivateKey,
        basic: x509.BasicConstraints,
        hosts: list[x509.GeneralName],
        good_days: float = 30,
    ) -> x509.Certificate:
        now = datetime.datetime.now(datetime.UTC)
        builder = (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(self._name)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - datetime.timedelta(days=1))
            .not_valid_after(now + datetime.timedelta(days=good_days))
            .add_extension(basic, critical=True)
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
            .add_extension(
                x509.AuthorityKeyIdentifier.from_issuer_public_key(self._key.public_key()), critical=False
            )
        )
        if hosts:
            builder = builder.add_extension(x509.SubjectAlternativeName(hosts), critical=False)
        return builder.sign(self._key, hashes.SHA256())


def _host(text: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(text))
    except ValueError:
        return x509.DNSName(text)
