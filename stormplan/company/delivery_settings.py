"""When a briefing is made and where it goes: the part of the sites file that is not about pavement.

No secret stands here: a password or key is named by an environment variable, or by a file that
only its owner may read.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from stormplan.company.validators import Host, MailAddress, Record, Url, Variable, quantity

LOOPBACK = ("localhost", "127.0.0.1")


class Watch(Record):
    """How often to look again, and who is told that the morning run happened."""

    storm_interval_h: Annotated[float, quantity("duration", "15 min", "24 h")] = Field(
        3.0, alias="storm_interval"
    )
    jitter_h: Annotated[float, quantity("duration", "0 min", "1 h")] = Field(
        10.0 / 60.0, alias="jitter"
    )
    heartbeat: Url | None = None


class Mail(Record):
    """Whom the briefing is mailed to, and by which server."""

    host: Host
    port: int = Field(587, ge=1, le=65535)
    security: Literal["starttls", "tls", "none"] = "starttls"
    sender: MailAddress = Field(alias="from")
    to: tuple[MailAddress, ...] = Field((), max_length=100)
    user_env: Variable | None = None
    password_env: Variable | None = None
    password_file: str | None = None

    @model_validator(mode="after")
    def _safe(self) -> Mail:
        named = (self.password_env, self.password_file)
        if all(named):
            raise ValueError("give password_env or password_file, not both")
        if (self.user_env is None) != (not any(named)):
            raise ValueError("user_env and password_env (or password_file) belong together")
        if self.security == "none" and self.host not in LOOPBACK:
            raise ValueError(
                "mail without encryption is sent to this machine only; "
                "accepted: security: starttls, or tls"
            )
        return self


class Webhook(Record):
    """An address that is told by a signed POST."""

    url: Url
    secret_env: Variable | None = None
    secret_file: str | None = None

    @model_validator(mode="after")
    def _one_secret(self) -> Webhook:
        if (self.secret_env is None) == (self.secret_file is None):
            raise ValueError("give secret_env or secret_file: an unsigned message proves nothing")
        return self


class Delivery(Record):
    """Where each announced briefing goes, besides the folder it is written to."""

    keep_sets: int = Field(200, ge=2)
    mail: Mail | None = None
    webhook: Webhook | None = None
    command: tuple[str, ...] | None = Field(None, min_length=1)
