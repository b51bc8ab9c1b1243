"""A key and a self-signed TLS certificate for the shop's network: browsers give the microphone to secure pages only."""

import datetime
import ipaddress
import os
import stat
from pathlib import Path

from fluewright.errors import InputError
from fluewright.files import private_folder, write_whole

__all__ = ["own_tls_certificate"]

_DAYS = 365
_OTHERS = stat.S_IRWXG | stat.S_IRWXO


def _check_secret(path: Path) -> None:
    """Refuse a key that is somewhere else, or that others can read.

    Raises
    ------
    InputError
    """
    try:
        about = path.lstat()
    except FileNotFoundError:
        return
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); check its folder's rights") from error
    if not stat.S_ISREG(about.st_mode):
        what = "a symbolic link" if stat.S_ISLNK(about.st_mode) else "no ordinary file"
        raise InputError(f"{path}: is {what}; remove it and start again, then it is made anew")
    if os.name == "posix" and about.st_mode & _OTHERS:
        raise InputError(
            f"{path}: others on this computer can read this key (mode {stat.S_IMODE(about.st_mode):04o}), so it may be "
            "known to them; remove it and start again: a new key is made, and every device has to be paired anew"
        )


def own_tls_certificate(folder: Path, addresses: list[str]) -> tuple[Path, Path, str]:
    """Return (TLS certificate, key, SHA-256 fingerprint); made once and kept, anew for other addresses or when old.

    A pair that cannot be read or does not belong together (a power cut between two files) is made anew as well.

    Raises
    ------
    InputError
        The folder or a file in it is a symbolic link, the key can be read by others, or the folder cannot be written.
    """
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

    certificate_path, key_path = folder / "certificate.pem", folder / "key.pem"
    private_folder(folder)
    _check_secret(key_path)
    if certificate_path.is_symlink():
        raise InputError(f"{certificate_path}: is a symbolic link; remove it and start again, then it is made anew")
    now = datetime.datetime.now(datetime.UTC)
    kept = _kept(certificate_path, key_path, addresses, now)
    if kept:
        return certificate_path, key_path, kept
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "fluewright workshop")])
    alternatives: list[x509.GeneralName] = [x509.DNSName("localhost")]
    alternatives += [x509.IPAddress(ipaddress.ip_address(a)) for a in addresses]
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(hours=1))
        .not_valid_after(now + datetime.timedelta(days=_DAYS))
        .add_extension(x509.SubjectAlternativeName(alternatives), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        # Phones trust no certificate that does not say that it is a server's.
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(key, hashes.SHA256())
    )
    secret = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    write_whole(key_path, secret, mode=0o600)
    write_whole(certificate_path, certificate.public_bytes(serialization.Encoding.PEM), mode=0o600)
    return certificate_path, key_path, certificate.fingerprint(hashes.SHA256()).hex(":")


def _kept(certificate_path: Path, key_path: Path, addresses: list[str], now: datetime.datetime) -> str:
    """Return the fingerprint of the certificate that is there if it can still be used, else nothing."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization

    try:
        old = x509.load_pem_x509_certificate(certificate_path.read_bytes())
        key = serialization.load_pem_private_key(key_path.read_bytes(), password=None)
        names = old.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        old.extensions.get_extension_for_class(x509.ExtendedKeyUsage)
    except (OSError, ValueError, TypeError, x509.ExtensionNotFound):
        return ""
    have = {str(a) for a in names.get_values_for_type(x509.IPAddress)}
    lasts = old.not_valid_after_utc > now + datetime.timedelta(days=7)
    if key.public_key() != old.public_key() or not set(addresses) <= have or not lasts:
        return ""
    return old.fingerprint(hashes.SHA256()).hex(":")
