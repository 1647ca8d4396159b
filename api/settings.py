"""What an operator can set: defaults, then environment (``WEARVISION_…``), then options of ``wearvision serve``."""

from __future__ import annotations

import os
from ipaddress import ip_address, ip_network
from pathlib import Path

from pydantic import Field, model_validator
from pydantic_settings import BaseSettings, SettingsConfigDict

ENV_PREFIX = "WEARVISION_"


class Settings(BaseSettings):
    """Settings of one process; read once at its start and handed down.

    Raises:
        pydantic.ValidationError: a value is wrong, or the binding would be unsafe; the message says what to do.
    """

    model_config = SettingsConfigDict(env_prefix=ENV_PREFIX, extra="forbid", frozen=True)

    data: Path = Field(Path("wearvision-data"), description="Folder of database, photos and backups.")
    database: str = Field(
        "", description="Database address, such as postgresql+psycopg://…; empty: SQLite in the data folder."
    )
    migrate: bool = Field(True, description="Bring the database's tables up to date at the start.")
    connections: int = Field(50, ge=2, description="Connections to a database server, at most.")
    blobs: str = Field("", description="Where photos lie, as an fsspec address; empty: in the data folder.")
    host: str = Field("127.0.0.1", description="Address to listen on.")
    port: int = Field(8460, ge=0, le=65535, description="Port to listen on; 0 takes a free one.")
    accounts: bool = Field(False, description="Ask for a log-in; must be on for any address but loopback.")
    tls_certificate: Path | None = Field(None, description="Certificate chain, PEM.")
    tls_key: Path | None = Field(None, description="Its private key, PEM.")
    proxy: str = Field("", description="Address of a proxy in front that speaks TLS and is trusted, such as 10.0.0.2.")
    hosts: str = Field(
        "", description="Names the service goes by, with commas; empty: loopback names, or any name with accounts."
    )
    limits: Path | None = Field(None, description="TOML file that overrides rows of the wear standard.")
    policy: Path | None = Field(
        None, description="TOML file of the returns policy; empty: the example, which is no advice."
    )
    gate: Path | None = Field(
        None, description="TOML file of what a new model must show before its release; empty: the one that comes along."
    )
    model: str = Field("", description="Released model or model folder; empty: the default.")
    ask_share: float = Field(
        0.2, ge=0.01, le=1, description="Share of the parts called serviceable whose hand check is asked for by chance."
    )
    processes: int = Field(1, ge=1, le=64, description="Processes at this port; they divide hands and places.")
    drain_s: float = Field(
        0, ge=0, le=60, description="Seconds in which a stop says 'not ready' first, so that a proxy looks elsewhere."
    )
    workers: int = Field(os.cpu_count() or 1, ge=1, description="Photos graded at the same time.")
    waiting: int = Field(16, ge=0, description="Gradings that may wait; more are answered 503.")
    requests: int = Field(64, ge=1, description="Requests answered at the same time; more are answered 503.")
    max_upload_mb: int = Field(64, ge=1, le=512, description="Largest photo, MiB.")
    keep_location: bool = Field(False, description="Leave the place of taking in photos that others download.")
    record_key: Path | None = Field(
        None, description="Private key that signs the record's head, PEM (Ed25519); empty: in the data folder."
    )
    session_hours: int = Field(12, ge=1, description="Hours until a log-in ends.")
    idle_minutes: int = Field(240, ge=15, description="Minutes without a request until a log-in ends.")
    service_hours: int = Field(500, ge=1, description="Running hours between services (common practice).")
    service_days: int = Field(365, ge=1, description="Days between services (common practice).")
    house_name: str = Field("", max_length=120, description="Who writes the decision letters; empty: no letterhead.")
    house_address: str = Field("", max_length=200, description="Its address, in one line.")
    house_contact: str = Field("", max_length=200, description="Where an objection is sent; empty: the counter.")
    objection_days: int = Field(
        30, ge=1, le=3650, description="Days in which a claimant can object to a decision (the site's own rule)."
    )

    @model_validator(mode="after")
    def _safe(self) -> Settings:
        if (self.tls_certificate is None) != (self.tls_key is None):
            raise ValueError("TLS needs both files: --tls-certificate and --tls-key")
        for peer in filter(None, self.proxy.split(",")):
            try:
                ip_network(peer.strip())  # never a wildcard: everybody could then claim to have come over TLS
            except ValueError as error:
                raise ValueError(f"{peer.strip()!r} is no address or network of a proxy") from error
        if self.loopback:
            return self
        if not self.accounts:
            raise ValueError(
                f"{self.host} can be reached by others: add --accounts, and make the first administrator with "
                "'wearvision administrator NAME'"
            )
        if not self.secure:
            raise ValueError(
                f"{self.host} without TLS: a phone gives camera, storage and offline pages to secure origins only, and "
                "passwords would travel in the clear. Give --tls-certificate and --tls-key, or --proxy ADDRESS of "
                "the TLS proxy in front"
            )
        return self

    @property
    def share(self) -> Settings:
        """Of one process among ``processes``: hands, queue, places and connections are divided, rounded up."""
        divided = ("workers", "waiting", "requests", "connections")
        return self.model_copy(update={name: -(-getattr(self, name) // self.processes) for name in divided})

    @property
    def loopback(self) -> bool:
        """Whether only this machine can reach the service."""
        if self.host == "localhost":
            return True
        try:
            return ip_address(self.host).is_loopback
        except ValueError:
            return False

    @property
    def secure(self) -> bool:
        """Whether browsers reach the service over TLS."""
        return self.tls_certificate is not None or bool(self.proxy)

    @property
    def database_url(self) -> str:
        """The database's address in SQLAlchemy's form."""
        return self.database or f"sqlite:///{(self.data / 'wearvision.sqlite').resolve()}"

    @property
    def record_key_path(self) -> Path:
        """Where the key that signs the record lies."""
        return self.record_key or self.data / "record-key.pem"

    @property
    def blob_url(self) -> str:
        """Where photos lie, in fsspec's form."""
        return self.blobs or f"file://{(self.data / 'photos').resolve()}"
