"""Throw-away certificates for a served plant, written into a folder that the user names.

One authority signs server and clients of Modbus TLS; OPC UA uses self-signed certificates, as most
of its servers do. All of them are for trying out only: whoever can read the folder holds every key.
"""

import ipaddress
import os
import secrets
import ssl
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

VALID_DAYS = 365
KEY_BITS = 2048
SERVER_URI = "urn:brinelark:simulator:server"
CLIENT_URI = "urn:brinelark:simulator:client"
USER = "technician"


class CertificatesUnusable(OSError):
    """The folder of certificates cannot be used; the text says why and what would do."""


@dataclass(frozen=True)
class Certificates:
    """The files in a folder of certificates."""

    folder: Path

    @property
    def authority(self) -> Path:
        """Certificate of the authority that signed both sides of Modbus TLS."""
        return self.folder / "modbus-authority.pem"

    def modbus(self, side: str) -> tuple[Path, Path]:
        """Certificate and key of Modbus TLS for `side`: ``server`` or ``client``."""
        return self.folder / f"modbus-{side}.pem", self.folder / f"modbus-{side}.key.pem"

    def opcua(self, side: str) -> tuple[Path, Path]:
        """Certificate (DER) and key of OPC UA for `side`: ``server`` or ``client``."""
        return self.folder / f"opcua-{side}.der", self.folder / f"opcua-{side}.key.pem"

    @property
    def trusted(self) -> Path:
        """Folder of the client certificates that the OPC UA server accepts; put yours here."""
        return self.folder / "opcua-trusted"

    @property
    def password_file(self) -> Path:
        """Password of the OPC UA user `USER`."""
        return self.folder / f"opcua-{USER}.password"

    def password(self) -> str:
        """Password of the OPC UA user `USER`."""
        return self.password_file.read_text(encoding="utf-8").strip()

    def all_files(self) -> tuple[Path, ...]:
        """Every file that a complete folder has."""
        sides = ("server", "client")
        pairs = [pair for side in sides for pair in (self.modbus(side), self.opcua(side))]
        return (
            self.authority,
            *(path for pair in pairs for path in pair),
            self.trusted / "opcua-client.der",
            self.password_file,
        )

    def server_context(self) -> ssl.SSLContext:
        """TLS settings of the Modbus server: a client must show a certificate of our authority.

        Both sides prove who they are, as the Modbus/TCP Security specification asks for.
        """
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        context.load_cert_chain(*self.modbus("server"))
        context.load_verify_locations(self.authority)
        context.verify_mode = ssl.CERT_REQUIRED
        return context


def prepared(folder: Path, now: datetime) -> Certificates:
    """The certificates of a folder, made when it has none; raises when it is half empty or outdated.

    now : time zone aware; the certificates hold for a year from the day before.
    """
    files = Certificates(folder)
    here = [path for path in files.all_files() if path.exists()]
    if not here:
        _make(files, now)
        return files
    missing = [path.name for path in files.all_files() if path not in here]
    if missing:
        raise CertificatesUnusable(
            f"{folder}: {', '.join(missing)} missing; name an empty folder, or put them back"
        )
    certificate = x509.load_pem_x509_certificate(files.authority.read_bytes())
    if not certificate.not_valid_before_utc <= now <= certificate.not_valid_after_utc:
        raise CertificatesUnusable(
            f"{folder}: these certificates hold until {certificate.not_valid_after_utc:%Y-%m-%d} only; "
            "empty the folder, and new ones are made"
        )
    return files


def _make(files: Certificates, now: datetime) -> None:
    files.trusted.mkdir(parents=True, exist_ok=True)
    authority_key = rsa.generate_private_key(public_exponent=65537, key_size=KEY_BITS)
    authority_name = _name("Invented plant authority")
    authority = (
        _builder(authority_name, authority_name, authority_key, now)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(signs_certificates=True), critical=True)
        .add_extension(
            x509.SubjectKeyIdentifier.from_public_key(authority_key.public_key()), critical=False
        )
        .sign(authority_key, hashes.SHA256())
    )
    _write(files.authority, authority.public_bytes(serialization.Encoding.PEM))
    for side in ("server", "client"):
        key = rsa.generate_private_key(public_exponent=65537, key_size=KEY_BITS)
        builder = _end(_name(f"Invented plant Modbus {side}"), authority_name, key, side, now)
        signed = builder.add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(authority_key.public_key()),
            critical=False,
        ).sign(authority_key, hashes.SHA256())
        certificate_path, key_path = files.modbus(side)
        _write(certificate_path, signed.public_bytes(serialization.Encoding.PEM))
        _write(key_path, _private(key))

        key = rsa.generate_private_key(public_exponent=65537, key_size=KEY_BITS)
        name = _name(f"Invented plant OPC UA {side}")
        own = (
            _end(name, name, key, side, now)
            .add_extension(
                x509.AuthorityKeyIdentifier.from_issuer_public_key(key.public_key()), critical=False
            )
            .sign(key, hashes.SHA256())
        )
        certificate_path, key_path = files.opcua(side)
        der = own.public_bytes(serialization.Encoding.DER)
        _write(certificate_path, der)
        _write(key_path, _private(key))
        if side == "client":
            _write(files.trusted / certificate_path.name, der)
    _write(files.password_file, (secrets.token_urlsafe(12) + "\n").encode())


def _name(common: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, common)])


def _builder(
    subject: x509.Name, issuer: x509.Name, key: rsa.RSAPrivateKey, now: datetime
) -> x509.CertificateBuilder:
    now = now.astimezone(UTC)
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=VALID_DAYS))
    )


def _end(
    subject: x509.Name, issuer: x509.Name, key: rsa.RSAPrivateKey, side: str, now: datetime
) -> x509.CertificateBuilder:
    """A certificate of one side, without its signature: this machine, and its address in OPC UA."""
    usage = ExtendedKeyUsageOID.SERVER_AUTH if side == "server" else ExtendedKeyUsageOID.CLIENT_AUTH
    names = x509.SubjectAlternativeName(
        [
            # OPC UA part 6 wants the application's URI first.
            x509.UniformResourceIdentifier(SERVER_URI if side == "server" else CLIENT_URI),
            x509.DNSName("localhost"),
            x509.IPAddress(ipaddress.ip_address("127.0.0.1")),
        ]
    )
    return (
        _builder(subject, issuer, key, now)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs_certificates=issuer == subject), critical=True)
        .add_extension(x509.ExtendedKeyUsage([usage]), critical=False)
        .add_extension(names, critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
    )


def _usage(*, signs_certificates: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=True,
        content_commitment=True,
        key_encipherment=True,
        data_encipherment=True,
        key_agreement=False,
        key_cert_sign=signs_certificates,
        crl_sign=False,
        encipher_only=False,
        decipher_only=False,
    )


def _private(key: rsa.RSAPrivateKey) -> bytes:
    return key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )


def _write(path: Path, content: bytes) -> None:
    """Write a new file that only its owner can read."""
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "wb") as file:
        file.write(content)
