"""Whose keys requests are signed with: a file, or the chain that every AWS tool follows, by botocore."""

from __future__ import annotations

import configparser
import os
import threading

from botocore.credentials import Credentials
from botocore.exceptions import (
    BotoCoreError,
    ClientError,
    ConnectionError,
    CredentialRetrievalError,
    HTTPClientError,
    MetadataRetrievalError,
    TokenRetrievalError,
)
from botocore.session import Session

from ingestd.ports import StoreRefused, StoreUnreachable
from ingestd.store.s3_settings import S3Settings
from ingestd.store.s3_sign import Secret

_FIELDS = ("aws_access_key_id", "aws_secret_access_key", "aws_session_token")


_FOR_NOW = (
    ConnectionError,
    HTTPClientError,
    CredentialRetrievalError,
    MetadataRetrievalError,
    TokenRetrievalError,
    RuntimeError,
)
"""What keeps credentials from being had that may be there later; the last one is botocore's word for some
that had expired already when they came."""


def _may_pass(error: ClientError) -> bool:
    told = error.response
    code = told.get("Error", {}).get("Code", "")
    status = told.get("ResponseMetadata", {}).get("HTTPStatusCode", 0)
    return status >= 500 or "Throttl" in code


class CredentialSource:
    """Gives the credentials of one store, renewed where they expire. Safe between threads.

    Raises StoreRefused when there are none, with what a person has to mend, and StoreUnreachable where
    whoever gives them does not just now.
    """

    def __init__(self, settings: S3Settings) -> None:
        self._settings = settings
        self._lock = threading.Lock()
        self._chain: Credentials | None = None
        self._file: tuple[tuple[int, int], Secret] | None = None

    def secret(self) -> Secret:
        if self._settings.credentials_file is not None:
            return self._from_file(_place(self._settings.credentials_file))
        return self._from_chain()

    def renew(self) -> None:
        """Look anew: what there was is no longer taken."""
        with self._lock:
            self._chain = self._file = None

    # -- a file: a systemd credential, or one that only the daemon's user can read -------------------

    def _from_file(self, path: str) -> Secret:
        """Read again whenever the file has changed, so that keys can be exchanged while loads run."""
        with self._lock:
            try:
                facts = os.stat(path)
                version = (facts.st_mtime_ns, facts.st_ino)
                if self._file is None or self._file[0] != version:
                    self._file = (version, self._read(path))
                return self._file[1]
            except OSError as error:
                raise self._refused(f"credentials_file cannot be read: {error.strerror}") from None

    def _read(self, path: str) -> Secret:
        parser = configparser.RawConfigParser()
        try:
            with open(path, encoding="utf-8") as file:
                parser.read_file(file)
        except (configparser.Error, UnicodeDecodeError):
            # The error's own words may quote the file.
            raise self._refused("credentials_file is not in the form of an AWS credentials file") from None
        section = self._settings.profile or "default"
        key, secret, token = (parser.get(section, field, fallback=None) for field in _FIELDS)
        if not key or not secret:
            raise self._refused(f"credentials_file has no {_FIELDS[0]} and {_FIELDS[1]} in [{section}]")
        return Secret(key, secret, token)

    # -- the usual chain: environment, profiles, web identity, the host's metadata service --------------

    def _from_chain(self) -> Secret:
        try:
            with self._lock:
                if self._chain is None:
                    self._chain = Session(profile=self._settings.profile).get_credentials()
                found = self._chain.get_frozen_credentials() if self._chain else None
        except _FOR_NOW as error:
            raise self._unanswered(str(error)) from None
        except ClientError as error:
            if _may_pass(error):
                raise self._unanswered(str(error)) from None
            raise self._refused(f"no credentials: {error}") from None
        except (BotoCoreError, OSError) as error:
            raise self._refused(f"no credentials: {error}") from None
        if found is None or not found.access_key or not found.secret_key:
            raise self._refused("there are no credentials")
        return Secret(found.access_key, found.secret_key, found.token)

    def _unanswered(self, what: str) -> StoreUnreachable:
        return StoreUnreachable(
            f"store {self._settings.name!r}: the source of its credentials fails: {what}; "
            "see to the program or service that gives them, it is tried again"
        )

    def _refused(self, what: str) -> StoreRefused:
        return StoreRefused(
            f"store {self._settings.name!r}: {what}; name a credentials_file or a profile, "
            "or give the daemon AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY"
        )


def _place(path: str) -> str:
    """A bare name is that of a systemd credential (systemd.exec(5), LoadCredential=)."""
    return path if "/" in path else os.path.join(os.environ.get("CREDENTIALS_DIRECTORY", "/nowhere"), path)
