"""A certificate for this computer, made by openssl for a test."""

from __future__ import annotations

import shutil
import ssl
import subprocess
from pathlib import Path

import pytest

from fingerlead.faces.pages.kit.place import tls_of


def files(folder: Path) -> tuple[Path, Path]:
    """The certificate and its key."""
    if shutil.which("openssl") is None:
        pytest.skip("needs the program openssl")
    made = folder / "cert.pem", folder / "key.pem"
    command = "openssl req -x509 -newkey rsa:2048 -noenc -days 2 -subj /CN=localhost"
    names = ("-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1")
    subprocess.run(
        [*command.split(), *names, "-out", str(made[0]), "-keyout", str(made[1])], check=True, capture_output=True
    )
    return made


def certificate(folder: Path) -> tuple[ssl.SSLContext, ssl.SSLContext]:
    """TLS as the server has it, and as a client that trusts it."""
    public, key = files(folder)
    return tls_of(public, key), ssl.create_default_context(cafile=str(public))
