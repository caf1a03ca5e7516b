"""The table [remote] of policies.toml."""

from ipaddress import ip_address
from pathlib import Path
from typing import Self

from pydantic import Field, field_validator, model_validator

from nightloom.settings.table import Table


class RemotePolicy(Table):
    """Where the daemon is seen from a browser or another computer, and by whom."""

    enabled: bool = Field(default=True, description="whether to listen at all")
    address: str = Field(
        default="127.0.0.1",
        description="address to listen on; any but this computer's own (127.0.0.1, ::1) needs a"
        " token_file",
    )
    port: int = Field(
        default=7642, ge=0, le=65535, description="TCP port to listen on; 0 takes one that is free"
    )
    token_file: Path | None = Field(
        default=None,
        description="file with a secret of 32 characters or more, that its owner alone may read;"
        " left out, who is on this computer may look without, and nobody may ask for anything",
    )
    certificate_file: Path | None = Field(
        default=None, description="certificate chain (PEM) for https; left out, plain http"
    )
    key_file: Path | None = Field(
        default=None, description="private key (PEM) that belongs to the certificate"
    )

    @field_validator("address")
    @classmethod
    def _is_one(cls, address: str) -> str:
        try:
            ip_address(address)
        except ValueError:
            raise ValueError("must be an IP address, such as 127.0.0.1 or 0.0.0.0") from None
        return address

    @property
    def at_home(self) -> bool:
        """Whether only this computer is listened to."""
        return ip_address(self.address).is_loopback

    @model_validator(mode="after")
    def _closed(self) -> Self:
        if not self.at_home and self.token_file is None:
            raise ValueError(
                "must have token_file where address is not 127.0.0.1: who can reach it could park"
                " the mount"
            )
        if (self.certificate_file is None) != (self.key_file is None):
            raise ValueError("must have both certificate_file and key_file, or neither")
        return self
