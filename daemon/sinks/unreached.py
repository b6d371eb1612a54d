"""What it means that a far end was not reached, in words that say what to check."""

from __future__ import annotations

import ssl

from quietbench.daemon.sinks.base import Trouble

_CERT_NOT_YET_VALID = 9  # X509_V_ERR_CERT_NOT_YET_VALID of OpenSSL's x509_vfy.h

_ENDED = (ssl.SSLEOFError, ssl.SSLZeroReturnError)


def why_unreached(error: BaseException | None, where: str, *, clock_known: bool) -> Trouble:
    """Return the trouble behind a failed connection.

    A machine that booted in the past finds every certificate "not yet valid"; that passes with the clock and is
    no reason to trust the far end unverified.
    """
    if isinstance(error, ssl.SSLCertVerificationError):
        return _certificate(error, where, clock_known=clock_known)
    if isinstance(error, ssl.SSLError) and not isinstance(error, _ENDED):
        return Trouble(f"{where}: TLS fails: {error}", visible=True)
    if error is None:
        return Trouble(f"{where} can't be reached")
    return Trouble(f"{where} can't be reached: {error}")


def _certificate(error: ssl.SSLCertVerificationError, where: str, *, clock_known: bool) -> Trouble:
    if error.verify_code == _CERT_NOT_YET_VALID and not clock_known:
        return Trouble(f"{where}: waiting for the clock to be set; its certificate is not yet valid by it")
    return Trouble(f"{where}: its certificate isn't trusted: {error.verify_message}", visible=True)
