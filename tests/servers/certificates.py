"""Certificates for tests: an authority of our own and what it signed, made by the openssl program."""

import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificates:
    """PEM files: an authority, and a server and a client that it vouches for."""

    authority: Path
    server: Path
    server_key: Path
    client: Path
    client_key: Path


def make_certificates(directory: Path, *, host: str = "127.0.0.1") -> Certificates:
    """Make an authority, a server certificate for `host` (an address) and a client certificate, good for two days."""
    directory.mkdir(parents=True, exist_ok=True)
    authority, authority_key = directory / "authority.pem", directory / "authority.key"
    _openssl(
        "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2",
        "-subj", "/CN=test authority", "-addext", "basicConstraints=critical,CA:TRUE",
        "-addext", "keyUsage=critical,keyCertSign,cRLSign", "-keyout", authority_key, "-out", authority,
    )  # fmt: skip
    server, server_key = sign_server(directory, host=host)
    client, client_key = _signed(directory, "client", authority, authority_key, "extendedKeyUsage=clientAuth")
    return Certificates(
        authority=authority, server=server, server_key=server_key, client=client, client_key=client_key
    )


def sign_server(directory: Path, *, host: str = "127.0.0.1", days: int = 2) -> tuple[Path, Path]:
    """Make a server certificate by the authority in a directory, in place of the one there; -1 days has expired."""
    authority, authority_key = directory / "authority.pem", directory / "authority.key"
    return _signed(directory, "server", authority, authority_key, f"subjectAltName=IP:{host}", days)


def _signed(
    directory: Path, name: str, authority: Path, authority_key: Path, extension: str, days: int = 2
) -> tuple[Path, Path]:
    key, request, certificate = (directory / f"{name}.{end}" for end in ("key", "csr", "pem"))
    _openssl(
        "req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-subj", f"/CN=test {name}",
        "-keyout", key, "-out", request,
    )  # fmt: skip
    extensions = directory / f"{name}.ext"
    extensions.write_text(f"{extension}\nauthorityKeyIdentifier=keyid\nsubjectKeyIdentifier=hash\n")
    _openssl(
        "x509", "-req", "-in", request, "-CA", authority, "-CAkey", authority_key, "-CAcreateserial",
        "-days", days, "-extfile", extensions, "-out", certificate,
    )  # fmt: skip
    return certificate, key


def _openssl(*arguments: str | int | Path) -> None:
    program = shutil.which("openssl")
    if program is None:
        raise RuntimeError("the openssl program is missing: apt-get install openssl")
    subprocess.run([program, *map(str, arguments)], check=True, capture_output=True)
