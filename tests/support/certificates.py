"""Certificates for tests, made by the openssl program: an authority, what it signs, and what it doesn't."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from pathlib import Path

from tests.support.brokers import installed


@dataclass(frozen=True, slots=True)
class Pair:
    """A certificate and its key, as PEM files."""

    certificate: Path
    key: Path


class Authority:
    """Signs certificates for names and addresses; everything lies in ``folder``."""

    def __init__(self, folder: Path, name: str = "authority") -> None:
        self._folder = folder
        self._openssl = installed("openssl", "openssl")
        self.own = self._pair(name)
        self._run(
            *self._new(self.own, name), "-x509", "-out", str(self.own.certificate), "-days", "30",
            "-addext", "basicConstraints=critical,CA:TRUE",
        )  # fmt: skip

    def sign(self, name: str, *, address: str = "127.0.0.1") -> Pair:
        """Return a certificate for an address, valid from now for 30 days."""
        pair, request = self._pair(name), self._folder / f"{name}.csr"
        extensions = self._folder / f"{name}.ext"
        extensions.write_text(f"subjectAltName=IP:{address}\n")
        self._run(*self._new(pair, name), "-out", str(request))
        self._run(
            "x509", "-req", "-in", str(request), "-CA", str(self.own.certificate), "-CAkey", str(self.own.key),
            "-CAcreateserial", "-out", str(pair.certificate), "-days", "30", "-extfile", str(extensions),
        )  # fmt: skip
        return pair

    def _pair(self, name: str) -> Pair:
        return Pair(self._folder / f"{name}.pem", self._folder / f"{name}.key")

    def _new(self, pair: Pair, name: str) -> list[str]:
        curve = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"]
        return ["req", *curve, "-keyout", str(pair.key), "-subj", f"/CN={name}"]

    def _run(self, *arguments: str) -> None:
        subprocess.run([self._openssl, *arguments], check=True, capture_output=True)
