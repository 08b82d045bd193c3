"""Certificates for tests, made by OpenSSL: an authority, a broker on 127.0.0.1, a station, a stranger."""

from __future__ import annotations

import subprocess
from pathlib import Path

DAYS = "2"


def make(folder: Path) -> Path:
    """`ca.pem`, `broker.pem`, `station.pem` and their `.key`; `other.pem` is an authority nobody knows."""
    folder.mkdir()
    for name in ("ca", "other"):
        _openssl(folder, *_new(name), "-x509", "-days", DAYS, "-subj", f"/CN=Harrow Quay {name}")
    _signed(folder, "broker", "IP:127.0.0.1")
    _signed(folder, "station", "DNS:quay-03.harrow-quay.example")
    return folder


def _signed(folder: Path, name: str, alternative: str) -> None:
    _openssl(folder, *_new(name, "csr"), "-subj", f"/CN={name}")
    (folder / f"{name}.ext").write_text(f"subjectAltName={alternative}\n")
    sign = ("-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-days", DAYS)
    _openssl(
        folder, "x509", "-req", "-in", f"{name}.csr", *sign, "-extfile", f"{name}.ext", "-out", f"{name}.pem"
    )


def _new(name: str, kind: str = "pem") -> tuple[str, ...]:
    key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-keyout", f"{name}.key")
    return ("req", "-new", *key, "-out", f"{name}.{kind}")


def _openssl(folder: Path, *arguments: str) -> None:
    subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True)
